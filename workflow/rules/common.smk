"""Questions about the study that the rules ask; no rule lives here."""

import re

from snakemake.exceptions import WorkflowError

from maskdelta.cli import code_digest, marks_digest
from maskdelta.errors import MaskdeltaError
from maskdelta.images import list_tiles
from maskdelta.study import (
    OME_POSITIONS,
    expand_study,
    link_path,
    read_corrections,
    read_marks,
    read_verdicts,
    study_from_mapping,
)


wildcard_constraints:
    die="[A-Za-z0-9][A-Za-z0-9_.]*",
    view="[A-Za-z0-9][A-Za-z0-9_.]*",
    before="[A-Za-z0-9][A-Za-z0-9_.]*",
    after="[A-Za-z0-9][A-Za-z0-9_.]*",


try:
    STUDY = expand_study(study_from_mapping(config))
    MARKS = read_marks(STUDY.marks)
    CORRECTIONS = read_corrections(STUDY.bit_corrections)
    VERDICTS = read_verdicts(STUDY.verdicts)
except MaskdeltaError as exc:
    raise WorkflowError(str(exc)) from None

config.clear()
config.update(STUDY.model_dump(mode="json"))

PAIRS = [(c.before, c.after) for c in STUDY.comparisons]
LAYERS = [n for n in STUDY.layers if n in (STUDY.difference.layers or STUDY.layers)]

ARRAYS = list(STUDY.arrays)
ARRAY_ROLES = ("array_corner", "array_cell")


def view_of(wildcards):
    """Settings of the view that the wildcards name."""
    return config["dies"][wildcards.die]["views"][wildcards.view]


def tile_files(wildcards):
    """Picture files of a view, in natural order."""
    view = STUDY.dies[wildcards.die].views[wildcards.view]
    return [view.picture] if view.picture else list_tiles(view.tiles)


def guide_files(wildcards):
    """Files that say where the tiles of a view lie: stage positions, or an overview."""
    view = STUDY.dies[wildcards.die].views[wildcards.view]
    return [
        path
        for path in (view.positions, view.overview)
        if path not in ("", OME_POSITIONS)
    ]


def mosaic_of(die):
    """Mosaic of a die's main view."""
    return f"results/dies/{die}/{STUDY.main_view(die)}/mosaic.ome.tif"


def coverage_of(die):
    """Raster of tile numbers of a die's main view."""
    return f"results/dies/{die}/{STUDY.main_view(die)}/mosaic_tiles.tif"


def poses_of(die):
    """Poses of a die's main view."""
    return f"results/dies/{die}/{STUDY.main_view(die)}/tiles.csv"


def mosaic(wildcards):
    """Mosaic of the die that the wildcards name."""
    return mosaic_of(wildcards.die)


def coverage(wildcards):
    """Raster of tile numbers of the die that the wildcards name."""
    return coverage_of(wildcards.die)


def poses(wildcards):
    """Poses of the die that the wildcards name."""
    return poses_of(wildcards.die)


def both_mosaics(wildcards):
    """Mosaics before and after."""
    return [mosaic_of(wildcards.before), mosaic_of(wildcards.after)]


def both_coverages(wildcards):
    """Rasters of tile numbers before and after."""
    return [coverage_of(wildcards.before), coverage_of(wildcards.after)]


def both_poses(wildcards):
    """Poses before and after."""
    return [poses_of(wildcards.before), poses_of(wildcards.after)]


def segmented_view(wildcards):
    """The view that the wildcards name, or the main one of the die."""
    return getattr(wildcards, "view", STUDY.main_view(wildcards.die))


def stacks_of_view(wildcards):
    """What the swatches of a view stand for."""
    stacks = STUDY.stacks_in(wildcards.die, segmented_view(wildcards))
    return {name: stack.model_dump(mode="json") for name, stack in stacks.items()}


def marks_of_view(die, view):
    """Marks that were drawn in one view of a die."""
    return [m for m in MARKS if (m.die, m.view) == (die, view)]


def seams_of(die, view):
    """Table of the seams inside a view that is one finished picture; nothing for tiles."""
    finished = STUDY.dies[die].views[view].picture
    return [f"results/dies/{die}/{view}/seams.csv"] if finished else []


def seams_before(wildcards):
    """Seams of the main view before, if it is a finished picture."""
    return seams_of(wildcards.before, STUDY.main_view(wildcards.before))


def seams_after(wildcards):
    """Seams of the main view after, if it is a finished picture."""
    return seams_of(wildcards.after, STUDY.main_view(wildcards.after))


def all_seams():
    """Seams of all views that are finished pictures."""
    return [
        path
        for die, settings in STUDY.dies.items()
        for view in settings.views
        for path in seams_of(die, view)
    ]


def digest_of_swatches(wildcards):
    """Content of a view's swatches and ignored areas: what makes its layers stale."""
    marks = marks_of_view(wildcards.die, segmented_view(wildcards))
    return [marks_digest(marks, role) for role in ("swatch", "ignore")]


def views_to_merge(die):
    """Further views of a die from which its layers are taken too: those with swatches."""
    if not STUDY.segment.merge_views:
        return []
    return [
        view
        for view in STUDY.further_views(die)
        if any(m.role == "swatch" for m in marks_of_view(die, view))
    ]


def stripped_layers(wildcards):
    """What had been stripped off before each view of a die was photographed."""
    views = STUDY.dies[wildcards.die].views
    return {name: list(view.stripped_layers) for name, view in views.items()}


def is_merged(die):
    """Whether a die's layers are made from those of its views, or of one view only."""
    main = STUDY.dies[die].views[STUDY.main_view(die)]
    return bool(views_to_merge(die) or main.stripped_layers)


def one_of(names):
    """Pattern of a wildcard that may be one of some names, and nothing else if there are none."""
    return "|".join(re.escape(name) for name in sorted(names)) or "(?!)"


def of_main_view(name):
    """A result of the main view of a die."""
    return lambda wildcards: (
        f"results/dies/{wildcards.die}/{STUDY.main_view(wildcards.die)}/{name}"
    )


def of_views_to_merge(name):
    """A result of each further view of a die."""
    return lambda wildcards: [
        f"results/dies/{wildcards.die}/{view}/{name}"
        for view in views_to_merge(wildcards.die)
    ]


def of_main_and_further_view(name):
    """A result of the main view of a die, and of the one that the wildcards name."""
    return lambda wildcards: [
        f"results/dies/{wildcards.die}/{view}/{name}"
        for view in (STUDY.main_view(wildcards.die), wildcards.view)
    ]


def of_segmented_view(name):
    """A result of the segmentation of a view; the only view of a die has it in the die's folder."""

    def found(wildcards):
        die, view = wildcards.die, wildcards.view
        folder = f"{die}/{view}" if is_merged(die) else die
        return f"results/dies/{folder}/{name}"

    return found


def tile_agreements(die):
    """How far the tiles of each segmented view of a die agree."""
    views = [STUDY.main_view(die), *views_to_merge(die)]
    return [f"results/dies/{die}/{view}/tile_agreement.json" for view in views]


def laid_views(*dies):
    """Photographs of the further views of some dies, in the frames of their main views."""
    return [
        f"results/dies/{die}/{view}/laid.ome.tif"
        for die in dies
        for view in views_to_merge(die)
    ]


def both_laid_views(wildcards):
    """Those of the dies before and after."""
    return laid_views(wildcards.before, wildcards.after)


def digest_of_view_pairs(wildcards):
    """Content of point pairs and cracks in two views: what makes their registration stale."""
    return [
        marks_digest(marks_of_view(wildcards.die, view), role)
        for view in (STUDY.main_view(wildcards.die), wildcards.view)
        for role in ("point_pair", "crack")
    ]


def digest_of_scales(wildcards):
    """Content of a die's lines of known length: what makes its scale stale."""
    return marks_digest(MARKS, "scale", (wildcards.die,))


def digest_of_pairs_and_cracks(wildcards):
    """Content of point pairs and cracks of two dies: what makes their registration stale."""
    dies = (wildcards.before, wildcards.after)
    marks = [m for die in dies for m in marks_of_view(die, STUDY.main_view(die))]
    return [marks_digest(marks, role) for role in ("point_pair", "crack")]


def marks_with(roles):
    """Marks of some roles that lie in the frame of a die."""
    return [
        m
        for m in MARKS
        if m.role in roles and m.frame != "study" and m.die in STUDY.dies
    ]


def poses_of_marks(*roles):
    """Poses of all views in whose tiles marks of some roles were drawn."""
    return sorted(
        {
            f"results/dies/{m.die}/{m.view}/tiles.csv"
            for m in marks_with(roles)
            if m.frame == "tile"
        }
    )


def links_of(dies):
    """Links of some dies into the study frame."""
    return sorted(f"results/dies/{die}/to_study.json" for die in dies)


def registrations_of(dies):
    """Registrations that lead from any of some dies to the reference."""
    steps = {step for die in dies for step in link_path(PAIRS, die, STUDY.reference)}
    return sorted(f"results/comparisons/{b}--{a}/registration.json" for b, a in steps)


def dies_of_marks(*roles):
    """Dies in whose frames marks of some roles were drawn."""
    return {m.die for m in marks_with(roles)}


def array_files(pattern):
    """Results of each array of a die: bits and lattice, and what its meaning calls for."""
    endings = {
        name: [".bits.csv", ".lattice.json"]
        + ([".words.csv", ".hex"] if settings.words else [])
        + ([".terms.csv", ".truth.csv"] if settings.terms else [])
        for name, settings in STUDY.arrays.items()
    }
    return [
        pattern.format(name=name, ending=ending)
        for name, found in endings.items()
        for ending in found
    ]


def dies_of_arrays(wildcards):
    """A die and all those in whose frames cells of arrays were marked."""
    return {wildcards.die, *dies_of_marks(*ARRAY_ROLES)}


def links_of_arrays(wildcards):
    """Links into the study frame through which the marks of arrays are carried."""
    return links_of(dies_of_arrays(wildcards))


def registrations_of_arrays(wildcards):
    """Registrations that those links name."""
    return registrations_of(dies_of_arrays(wildcards))


def digest_of_corrections(wildcards):
    """Bits of a die that a person has checked: what makes its readings stale."""
    return sorted(
        (array, row, column, value)
        for (array, die), bits in CORRECTIONS.items()
        if die == wildcards.die
        for (row, column), value in bits.items()
    )


def digest_of_verdicts(wildcards):
    """Verdicts of a comparison: what makes its ranking stale."""
    name = f"{wildcards.before}--{wildcards.after}"
    return [repr(verdict) for verdict in VERDICTS if verdict.comparison == name]


def of_null_pairs(name):
    """A result of the comparisons of two other dies of one revision, or one other."""

    def found(wildcards):
        return [
            f"results/comparisons/{before}--{after}/{name}"
            for before, after in PAIRS
            if STUDY.dies[before].revision == STUDY.dies[after].revision
            and {before, after} != {wildcards.before, wildcards.after}
        ]

    return found


def other_pairs(wildcards):
    """Comparisons of either die with a further one of the two revisions: before, after, revised.

    `revised` says whether that further die is of the revision after.
    """
    pair = {wildcards.before, wildcards.after}
    old, new = (STUDY.dies[die].revision for die in (wildcards.before, wildcards.after))
    found = []
    for before, after in PAIRS:
        further = {before, after} - pair
        if old == new or len(further) != 1:
            continue
        revision = STUDY.dies[next(iter(further))].revision
        if revision in (old, new):
            found.append((before, after, revision == new))
    return found


def masks_of_other_pairs(wildcards):
    """Masks of those comparisons."""
    return [
        f"results/comparisons/{before}--{after}/differences/{layer}.tif"
        for before, after, _ in other_pairs(wildcards)
        for layer in LAYERS
    ]


def links_of_other_pairs(wildcards):
    """Links into the study frame of the dies in whose frames those masks lie."""
    return links_of({before for before, _, _ in other_pairs(wildcards)})


def registrations_to_reference(wildcards):
    """Registrations that lead from a die to the reference, in order."""
    steps = link_path(PAIRS, wildcards.die, STUDY.reference)
    return [f"results/comparisons/{b}--{a}/registration.json" for b, a in steps]


def all_registrations(wildcards):
    """Registrations that lead from either die of a comparison to the reference."""
    return registrations_of((wildcards.before, wildcards.after))


def registrations_of_other_pairs(wildcards):
    """Registrations that the links of the other comparisons name."""
    return registrations_of({before for before, _, _ in other_pairs(wildcards)})


def all_surveys():
    """Survey pages of all views."""
    return [
        f"results/dies/{die}/{view}/survey/index.html"
        for die, settings in STUDY.dies.items()
        for view in settings.views
    ]


def all_mosaics():
    """Mosaics of all views."""
    return [
        f"results/dies/{die}/{view}/mosaic.ome.tif"
        for die, settings in STUDY.dies.items()
        for view in settings.views
    ]


def compared_dies():
    """Dies that take part in a comparison."""
    return sorted({die for pair in PAIRS for die in pair})


def report_inputs(wildcards):
    """Everything the report shows."""
    found = all_mosaics() + all_surveys() + all_seams()
    found += [f"results/dies/{die}/layers.json" for die in compared_dies()]
    found += [f"results/dies/{die}/to_study.json" for die in STUDY.dies]
    found += laid_views(*compared_dies())
    found += [path for die in compared_dies() for path in tile_agreements(die)]
    found += [
        f"results/comparisons/{before}--{after}/{name}"
        for before, after in PAIRS
        for name in (
            "registration.json",
            "jumps.csv",
            "overlay.json",
            "changes.csv",
            "changes.gds",
            "changes.svg",
            "summary.json",
        )
    ]
    if ARRAYS:
        for before, after in PAIRS:
            folder = f"results/comparisons/{before}--{after}"
            found += [f"{folder}/arrays.csv", f"{folder}/arrays.json"]
    return found


def dies_with_swatches():
    """Dies for whose main view a person has drawn swatches."""
    return {
        die
        for die in STUDY.dies
        if any(m.role == "swatch" for m in marks_of_view(die, STUDY.main_view(die)))
    }


def named_neighbours(die):
    """Dies that are compared with one and have swatches, each with the comparison's name."""
    found = [(a if b == die else b, f"{b}--{a}") for b, a in PAIRS if die in (b, a)]
    return [(other, pair) for other, pair in found if other in dies_with_swatches()]


def all_suggestions():
    """Pages of proposed swatches, for the dies without any, or else for all."""
    wanted = [die for die in STUDY.dies if die not in dies_with_swatches()]
    return [f"results/suggestions/{die}/index.html" for die in wanted or STUDY.dies]
