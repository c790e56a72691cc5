"""Find every fault of a study before hours are spent on it."""

from __future__ import annotations

import difflib
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from maskdelta.arrays import check_marks
from maskdelta.errors import ConfigurationError, MaskdeltaError
from maskdelta.images import PictureInfo, file_sha256, list_tiles, probe_picture, read_picture
from maskdelta.study import (
    OME_POSITIONS,
    Mark,
    StudySettings,
    ViewSettings,
    read_corrections,
    read_marks,
    read_study,
    read_verdicts,
)

__all__ = ["check_study"]

_ROLES_OF_ANY_VIEW = ("swatch", "ignore", "point_pair", "crack", "scale")


def check_study(config: str, *, decode: bool = False) -> tuple[list[str], list[str]]:
    """Check the configuration, the marks and all tiles.

    Parameters
    ----------
    config : str
    decode : bool
        Read all pixels, not only headers, end markers and strip tables.

    Returns
    -------
    faults, notes : lists of str
        A sentence each. Notes are no faults, but a person may want to know.
    """
    try:
        study = read_study(config)
    except ConfigurationError as exc:
        return exc.faults, []
    faults: list[str] = []
    notes: list[str] = []
    try:
        marks = read_marks(study.marks)
    except ConfigurationError as exc:
        faults += exc.faults
        marks = []
    extents: dict[tuple[str, str], dict[str, PictureInfo]] = {}
    for die, settings in study.dies.items():
        for name, view in settings.views.items():
            key = f"dies.{die}" if list(settings.views) == ["top"] else f"dies.{die}.views.{name}"
            infos = _check_view(key, view, faults, notes, decode)
            extents[die, name] = {Path(path).name: info for path, info in infos.items()}
    faults += _check_stripped(study)
    faults += _check_marks(study, marks, extents)
    faults += check_marks(marks, study.arrays)
    faults += _check_corrections(study)
    faults += _check_verdicts(study)
    notes += _missing_swatches(study, marks)
    return list(dict.fromkeys(faults)), list(dict.fromkeys(notes))


def _check_view(
    key: str, view: ViewSettings, faults: list[str], notes: list[str], decode: bool
) -> dict[str, PictureInfo]:
    pattern = view.picture or view.tiles
    files = [view.picture] if view.picture else list_tiles(view.tiles)
    if not files:
        folder = Path(pattern).parent
        what = "holds no such file" if folder.is_dir() else "does not exist"
        faults.append(f"{key}: `{pattern}`: the folder `{folder}` {what}; correct the pattern.")
        return {}

    def look(path: str) -> PictureInfo | str:
        try:
            info = probe_picture(path)
            if decode:
                read_picture(path)
        except MaskdeltaError as exc:
            return str(exc)
        return info

    with ThreadPoolExecutor(4) as pool:
        found = list(pool.map(look, files))
        hashes = list(pool.map(_hash, files))
    faults += [text for text in found if isinstance(text, str)]
    infos = {p: i for p, i in zip(files, found, strict=True) if isinstance(i, PictureInfo)}
    faults += _odd_ones(key, infos)
    notes += _duplicates(files, hashes)
    faults += _same_names(key, files)
    if view.grid is not None and not view.grid.name_pattern:
        wanted = view.grid.rows * view.grid.columns
        if wanted != len(files):
            faults.append(
                f"{key}: the grid has {view.grid.rows} x {view.grid.columns} = {wanted} places, "
                f"but `{pattern}` fits {len(files)} files; correct the grid, or give a "
                "`name_pattern` so that tiles may be missing."
            )
    if view.positions not in ("", OME_POSITIONS) and not Path(view.positions).is_file():
        faults.append(f"{key}: the table of positions `{view.positions}` does not exist.")
    if view.overview and not Path(view.overview).is_file():
        faults.append(f"{key}: the overview `{view.overview}` does not exist; correct the path.")
    return infos


def _hash(path: str) -> str:
    try:
        return file_sha256(path)
    except OSError:
        return path


def _odd_ones(key: str, infos: dict[str, PictureInfo]) -> list[str]:
    """Tiles whose depth or size differs from most."""
    faults = []
    kinds = [
        ("bits a channel", lambda i: f"{i.bits}"),
        ("px", lambda i: f"{i.width_px} x {i.height_px}"),
    ]
    for what, read in kinds:
        counts = Counter(read(info) for info in infos.values())
        if len(counts) < 2:
            continue
        usual = counts.most_common(1)[0][0]
        odd = [path for path, info in infos.items() if read(info) != usual]
        more = f" and {len(odd) - 1} more" if len(odd) > 1 else ""
        faults.append(
            f"{key}: {odd[0]}{more} has {read(infos[odd[0]])} {what}, the others have {usual}; "
            "export them alike or take them out."
        )
    return faults


def _duplicates(files: Sequence[str], hashes: Sequence[str]) -> list[str]:
    first: dict[str, str] = {}
    notes = []
    for path, digest in zip(files, hashes, strict=True):
        if digest in first:
            notes.append(f"{path}: the same bytes as {first[digest]}; the copy will be rejected.")
        first.setdefault(digest, path)
    return notes


def _same_names(key: str, files: Sequence[str]) -> list[str]:
    names = Counter(Path(path).name for path in files)
    return [
        f"{key}: {count} tiles are called `{name}`; rename them, since results name tiles by file."
        for name, count in names.items()
        if count > 1
    ]


def _check_marks(
    study: StudySettings,
    marks: Sequence[Mark],
    extents: dict[tuple[str, str], dict[str, PictureInfo]],
) -> list[str]:
    faults = []
    for mark in marks:
        if mark.role == "swatch" and mark.stack not in study.stacks:
            near = difflib.get_close_matches(mark.stack, list(study.stacks), n=1, cutoff=0.4)
            hint = f"did you mean `{near[0]}`?" if near else f"use one of {', '.join(study.stacks)}"
            faults.append(f"{mark.source}: the stack `{mark.stack}` is not known; {hint}")
        if mark.frame == "study":
            continue
        if mark.die not in study.dies:
            near = difflib.get_close_matches(mark.die, list(study.dies), n=1, cutoff=0.3)
            hint = f"did you mean `{near[0]}`?" if near else f"dies: {', '.join(study.dies)}"
            faults.append(f"{mark.source}: the die `{mark.die}` is not in the study; {hint}")
            continue
        if (mark.die, mark.view) not in extents:
            faults.append(f"{mark.source}: the die `{mark.die}` has no view `{mark.view}`.")
            continue
        faults += [text] if (text := _check_view_of_mark(study, mark)) else []
        faults += _check_tile_mark(mark, extents[mark.die, mark.view])
    return faults


def _check_stripped(study: StudySettings) -> list[str]:
    """Stripped layers that the study does not have."""
    faults = []
    for die, settings in study.dies.items():
        for name, view in settings.views.items():
            for layer in view.stripped_layers:
                if layer not in study.layers:
                    near = difflib.get_close_matches(layer, study.layers, n=1, cutoff=0.4)
                    known = f"layers: {', '.join(study.layers)}"
                    hint = f"did you mean `{near[0]}`?" if near else known
                    faults.append(
                        f"dies.{die}.views.{name}.stripped_layers: the layer `{layer}` is not "
                        f"known; {hint}"
                    )
    return faults


def _check_view_of_mark(study: StudySettings, mark: Mark) -> str:
    """What is wrong with the view that a mark lies in, or nothing.

    Swatches of what was stripped off, and marks that are read in the main view only.
    """
    main = study.main_view(mark.die)
    if mark.view != main and mark.role not in _ROLES_OF_ANY_VIEW:
        return (
            f"{mark.source}: a mark of the role {mark.role} is read in the main view `{main}` of "
            f"`{mark.die}` only, but lies in `{mark.view}`; draw it there."
        )
    if mark.role == "swatch" and mark.stack in study.stacks:
        stack = study.stacks[mark.stack]
        gone = study.dies[mark.die].views[mark.view].stripped_layers
        if stack.layers and not stack.without(gone).layers:
            return (
                f"{mark.source}: the stack `{mark.stack}` cannot be seen in the view "
                f"`{mark.view}` of `{mark.die}`, from which {', '.join(stack.layers)} had been "
                "stripped; correct the name, or `stripped_layers`."
            )
    return ""


def _check_tile_mark(mark: Mark, tiles: dict[str, PictureInfo]) -> list[str]:
    if mark.frame != "tile" or not tiles:
        return []
    if mark.tile not in tiles:
        near = difflib.get_close_matches(mark.tile, list(tiles), n=1, cutoff=0.5)
        hint = f"; did you mean `{near[0]}`?" if near else "; correct the name."
        return [f"{mark.source}: the die `{mark.die}` has no tile `{mark.tile}`{hint}"]
    info = tiles[mark.tile]
    x0, y0, x1, y1 = mark.geometry.bounds
    if x1 < 0 or y1 < 0 or x0 > info.width_px or y0 > info.height_px:
        size = f"{info.width_px} x {info.height_px} px"
        what = mark.label or mark.stack
        return [f"{mark.source}: `{what}` lies outside its tile ({size}); correct it."]
    return []


def _check_corrections(study: StudySettings) -> list[str]:
    try:
        corrections = read_corrections(study.bit_corrections)
    except ConfigurationError as exc:
        return exc.faults
    faults = []
    for array, die in corrections:
        if array not in study.arrays or die not in study.dies:
            faults.append(
                f"{study.bit_corrections}: the array `{array}` of die `{die}` is not in the study; "
                "correct the names."
            )
    return faults


def _check_verdicts(study: StudySettings) -> list[str]:
    try:
        verdicts = read_verdicts(study.verdicts)
    except ConfigurationError as exc:
        return exc.faults
    known = [c.name for c in study.comparisons if not isinstance(c, str)]
    faults = []
    for verdict in verdicts:
        where = f"{study.verdicts}: line {verdict.line}:"
        if verdict.comparison not in known:
            near = difflib.get_close_matches(verdict.comparison, known, n=1, cutoff=0.4)
            hint = f"did you mean `{near[0]}`?" if near else f"known: {', '.join(known) or 'none'}."
            faults.append(f"{where} the comparison `{verdict.comparison}` is not known; {hint}")
        for layer in verdict.layers:
            if layer not in study.layers:
                near = difflib.get_close_matches(layer, study.layers, n=1, cutoff=0.4)
                hint = f"did you mean `{near[0]}`?" if near else "copy the name of the change."
                faults.append(f"{where} the layer `{layer}` is not known; {hint}")
    return faults


def _missing_swatches(study: StudySettings, marks: Sequence[Mark]) -> list[str]:
    compared = {d for c in study.comparisons if not isinstance(c, str) for d in (c.before, c.after)}
    notes = []
    for die in sorted(compared):
        stacks = {
            view: {m.stack for m in marks if m.role == "swatch" and (m.die, m.view) == (die, view)}
            for view in study.dies[die].views
        }
        main = stacks.pop(study.main_view(die))
        if len(main) < 2:
            notes.append(
                f"dies.{die}: swatches of {len(main)} stack(s) are marked; layers can be told "
                "apart only with swatches of two or more."
            )
        if study.segment.merge_views:
            notes += [_of_further_view(die, view, found) for view, found in stacks.items()]
    return [note for note in notes if note]


def _of_further_view(die: str, view: str, stacks: set[str]) -> str:
    """What a further view lacks, or nothing."""
    if not stacks:
        return (
            f"dies.{die}.views.{view}: no swatch is drawn in this view, so it adds nothing to the "
            "layers; draw 3 to 6 for each stack that it shows."
        )
    if len(stacks) < 2:
        return (
            f"dies.{die}.views.{view}: swatches of one stack are marked in this view; draw some of "
            "a second one, or the run will stop there."
        )
    return ""
