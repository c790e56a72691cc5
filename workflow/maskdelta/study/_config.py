"""The typed configuration: one source for types, bounds, units, defaults and descriptions.

`workflow/schemas/config.schema.json` is generated from these models, and a test fails when the
two differ or when `config/README.md` lacks a key.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Literal

from pydantic import ConfigDict, Field, model_validator

from maskdelta.study._array_config import ArraySettings
from maskdelta.study._strict import Name, Strict

__all__ = [
    "Comparison",
    "DiePattern",
    "DieSettings",
    "DifferenceSettings",
    "Grid",
    "OverlaySettings",
    "RegisterSettings",
    "ReportSettings",
    "SegmentSettings",
    "Stack",
    "StitchSettings",
    "StudySettings",
    "SurveySettings",
    "ViewSettings",
]


class Grid(Strict):
    """Tiles taken on a regular grid, in the order of their sorted file names."""

    rows: int = Field(ge=1, description="Number of rows of tiles.")
    columns: int = Field(ge=1, description="Number of columns of tiles.")
    order: Literal["raster_rows", "snake_rows", "raster_columns", "snake_columns"] = Field(
        "raster_rows",
        description="Order of the sorted file names: along rows or columns, each in the same "
        "direction (raster) or every other one backwards (snake).",
    )
    overlap_frac: float = Field(
        0.2, gt=0, lt=0.9, description="Nominal overlap of neighbours, as a share of the tile."
    )
    name_pattern: str = Field(
        "",
        description="Regular expression with the groups `row` and `column` (numbers from 0 or 1) "
        "that reads the place from the file name; takes the place of `order`.",
    )


OME_POSITIONS = "ome"
"""In place of a table of positions: those in the metadata of the tiles."""


class ViewSettings(Strict):
    """One way a die was photographed: as tiles or as one finished picture."""

    tiles: str = Field("", description="Glob pattern of the tile files, e.g. `photos/a1/*.jpg`.")
    picture: str = Field("", description="One finished picture of the die, in place of `tiles`.")
    grid: Grid | None = Field(None, description="Where the tiles were taken, if on a grid.")
    positions: str = Field(
        "",
        description="CSV table with the columns file, x, y: stage positions of the tile centres, "
        "in any unit, x to the right and y down as the pictures show it; or the word `ome`, for "
        "the stage positions in the OME metadata of the tiles.",
    )
    overview: str = Field(
        "",
        description="A photograph of the whole die at low magnification, not mirrored, in which "
        "the tiles are looked for when neither `grid` nor `positions` says where they lie.",
    )
    um_per_px: float | None = Field(
        None, gt=0, description="Scale of the tiles in micrometres per pixel, if known."
    )
    stripped_layers: tuple[Name, ...] = Field(
        (),
        description="Layers that had been stripped off the die before these photographs, e.g. "
        "`[metal, pad_opening]`: the view says nothing of them, and its swatches show stacks "
        "without them.",
    )

    @model_validator(mode="after")
    def _one_source(self) -> ViewSettings:
        if bool(self.tiles) == bool(self.picture):
            raise ValueError("give either `tiles` or `picture`, and not both")
        if (self.grid is not None) + bool(self.positions) + bool(self.overview) > 1:
            raise ValueError("give one of `grid`, `positions` and `overview`, and no two")
        if self.picture and (self.grid is not None or self.positions or self.overview):
            raise ValueError(
                "`grid`, `positions` and `overview` go with `tiles`, not with `picture`"
            )
        return self


class DieSettings(Strict):
    """One specimen: its revision and its views."""

    revision: Name = Field(description="The mask set this die was made with.")
    views: dict[Name, ViewSettings] = Field(
        description="The ways it was photographed. A die with one view may be written without this "
        "level; the view is then called `top`."
    )

    @model_validator(mode="before")
    @classmethod
    def _one_line(cls, data: object) -> object:
        """Accept a die with one view written in one line."""
        if isinstance(data, dict) and "views" not in data:
            view = {k: v for k, v in data.items() if k in ViewSettings.model_fields}
            rest = {k: v for k, v in data.items() if k not in ViewSettings.model_fields}
            return {**rest, "views": {"top": view}}
        return data

    @model_validator(mode="after")
    def _has_view(self) -> DieSettings:
        if not self.views:
            raise ValueError("name at least one view")
        return self


class DiePattern(Strict):
    """Many dies from folders: every folder that fits becomes a die."""

    tiles: str = Field(
        description="Glob pattern with `{revision}` and `{die}` standing for parts of the path, "
        "e.g. `photos/{revision}/{die}/*.jpg`."
    )
    grid: Grid | None = Field(None, description="As for a single die.")
    um_per_px: float | None = Field(None, gt=0, description="As for a single die.")


class Comparison(Strict):
    """Two dies to compare; added and removed read from before to after."""

    before: Name = Field(description="The die that counts as the earlier one.")
    after: Name = Field(description="The die that counts as the later one.")

    @property
    def name(self) -> str:
        """Name of the results folder."""
        return f"{self.before}--{self.after}"

    @model_validator(mode="after")
    def _two_dies(self) -> Comparison:
        if self.before == self.after:
            raise ValueError(f"`before` and `after` are both `{self.before}`; name two dies")
        return self


class Stack(Strict):
    """What one colour stands for: the layers present there and those it hides."""

    layers: tuple[Name, ...] = Field((), description="Layers present in this stack.")
    hides: tuple[Name, ...] = Field(
        (), description="Layers that cannot be seen under this stack: present or not, unknown."
    )
    spoils: bool = Field(
        False, description="True for debris, damage and wires: nothing there can be compared."
    )
    dot: bool = Field(
        False,
        description="True for stacks that are small shapes of about one size inside another stack "
        "with which they share a layer, such as contacts in metal, or, where no stack shares one, "
        "whose layers they hide, such as bare contact holes; what has their colour but not their "
        "size or neighbours is debris.",
    )

    def without(self, layers: Collection[str]) -> Stack:
        """The stack after some layers were stripped off."""
        return self.model_copy(
            update={"layers": tuple(name for name in self.layers if name not in layers)}
        )


class SurveySettings(Strict):
    """Judging the tiles before hours are spent on them."""

    min_overlap_frac: float = Field(
        0.04, gt=0, lt=0.9, description="Overlaps below this share of a tile are not looked for."
    )
    search_frac: float = Field(
        0.15,
        gt=0,
        le=1,
        description="How far a pair's shift may lie from its nominal one, as a share of the "
        "tile's longer side. Without nominal places everything is searched.",
    )
    flat_field: Literal["overlaps", "none"] = Field(
        "overlaps", description="Estimate vignetting from overlaps, or leave the tiles as they are."
    )
    lateral_colour: bool = Field(
        True,
        description="Bring red and blue to the size of green where the tiles show that the "
        "microscope does not; false leaves them.",
    )
    blur_limit: float = Field(
        0.5,
        gt=0,
        lt=1,
        description="A tile is called out of focus when its sharpness in overlaps is below this "
        "share of its neighbours'.",
    )
    haze_limit: float = Field(
        0.1,
        gt=0,
        description="A tile is called hazy when more scattered light lies over it than over its "
        "neighbours by this share of the view's median light.",
    )


class StitchSettings(Strict):
    """Placing the tiles and making the mosaic."""

    min_score: float = Field(
        0.25, gt=0, lt=1, description="Correlation below which a pair of tiles is not trusted."
    )
    inlier_px: float = Field(
        2.0, gt=0, description="Residual in px beyond which the solver stops believing a pair."
    )
    lens: bool = Field(True, description="Estimate one radial lens term per view from overlaps.")
    refit: bool = Field(
        False, description="Solve all poses afresh, in place of keeping the earlier ones."
    )


class RegisterSettings(Strict):
    """Laying one die over the other."""

    feature_px: int = Field(
        2600, ge=400, description="Longest side of the reduced pictures used to find features."
    )
    min_inliers: int = Field(
        24, ge=6, description="Fewer matches than this, and the pair is refused."
    )
    min_agree_frac: float = Field(
        0.6,
        ge=0,
        lt=1,
        description="Share of the patches photographed in both that must agree; below it the pair "
        "is refused, unless three or more point pairs say which places are the same.",
    )
    spacing_px: float = Field(
        160.0, gt=16, description="Distance between control points, px of the coarser mosaic."
    )
    patch_px: int = Field(
        96, ge=32, description="Side of the patch compared at a control point, px."
    )
    knot_frac: float = Field(
        0.3,
        gt=0.05,
        le=1,
        description="Distance between knots of the smooth warp as a share of the die's longer "
        "side. Never below the side of the largest block that may have moved.",
    )
    max_error_px: float = Field(
        3.0,
        gt=0,
        description="Largest RMS miss of patches left out of the fit, px; above it the pair is "
        "refused. Home-made wafers, whose layers lie far off each other, may need more.",
    )
    max_strain: float = Field(
        8e-3, gt=0, description="Cap on the gradient of the smooth warp (dimensionless)."
    )


class SegmentSettings(Strict):
    """Telling the layers apart."""

    view: Name = Field(
        "top",
        description="The main view: its mosaic stands for a die, and results lie in its frame. A "
        "die without a view of this name goes by its first.",
    )
    merge_views: bool = Field(
        True,
        description="Take each layer of a die from the view that shows it, of all views that have "
        "swatches of their own; else only the main view counts.",
    )
    merge_error_px: float = Field(
        3.0,
        gt=0,
        description="Nothing is taken from a further view where it may lie farther than this off "
        "the main view (95 % radius, px of the main view).",
    )
    drift: bool = Field(True, description="Follow slow drift of colour over the die.")
    unknown_sigma: float = Field(
        5.0, gt=1, description="Colours farther than this from every swatch are called unknown."
    )
    patch_sigma: float = Field(
        2.8,
        gt=1,
        description="Patches whose colour lies farther than this from every swatch in the root "
        "mean square are called unknown, though each px alone would pass.",
    )
    debris_px: float = Field(
        3.0,
        gt=0,
        description="Patches of unknown colour are debris if at least this wide (px) beyond the "
        "rim of twice `edge_px` around what is known.",
    )
    edge_px: int = Field(
        3,
        ge=1,
        le=8,
        description="Reach over which edge pixels take an adjoining label, px.",
    )


class OverlaySettings(Strict):
    """Shift and line width of each layer, as the fab made it."""

    max_shift_um: float = Field(
        2.0, gt=0, description="Largest shift of one layer against the others that is believed."
    )


class DifferenceSettings(Strict):
    """Finding and ranking what changed."""

    layers: tuple[Name, ...] = Field(
        (), description="Layers to compare; empty means all layers of the study."
    )
    margin_px: float = Field(
        1.0, ge=0, description="Tolerance added to the local registration error, px."
    )
    min_area_um2: float = Field(
        4.0, gt=0, description="Regions smaller than this are not reported (um2, or px2 unscaled)."
    )
    min_evidence: float = Field(
        3.0,
        gt=0,
        description="Mean log-likelihood ratio of presence against absence that each of the two "
        "photographs must show inside a region.",
    )
    max_affinity: float = Field(
        -3.0,
        le=0,
        description="Mean affinity of the two photographs' colours inside a region (log units, 0 "
        "for colours that are each other's usual counterparts) above which it is set aside; above "
        "half of it the two are taken to show the same thing.",
    )
    min_sharpness: float = Field(
        0.9,
        ge=0,
        description="An outline is soft where its slope, in both photographs, is below this share "
        "of the slope that 95 % of the layer's unchanged outlines reach.",
    )
    max_soft_frac: float = Field(
        0.25,
        ge=0,
        le=1,
        description="Largest share of a region's outline that may be soft: what a mask draws has "
        "sharp outlines, dirt mostly has not. 1 looks at no outline.",
    )
    group_um: float = Field(
        10.0, ge=0, description="Regions closer than this make one change (um, or px unscaled)."
    )
    planted_frac: float = Field(
        0.1,
        gt=0,
        le=1,
        description="Share of the die on which changes are planted, to measure how large a change "
        "must be to be found.",
    )
    planted_seed: int = Field(
        1, ge=0, description="Decides where they are planted and how large they are."
    )
    landmark_reach_um: float = Field(
        150.0, gt=0, description="Changes farther than this from a landmark do not count for it."
    )
    verdict_reach_um: float = Field(
        10.0,
        gt=0,
        description="How far the centre of a change may lie from the place of a verdict, for the "
        "verdict to hold for it (um, or px unscaled).",
    )


class ReportSettings(Strict):
    """The pages."""

    title: str = Field("", description="Title of the report; empty means the study's title.")
    changes_shown: int = Field(
        60, ge=1, description="How many changes of a comparison get pictures."
    )
    crop_um: float = Field(60.0, gt=0, description="Least side of a crop (um, or px unscaled).")


def _default_stacks() -> dict[str, Stack]:
    under_metal = ("diffusion", "polysilicon", "buried_contact", "implant")
    return {
        "field_oxide": Stack(),
        "diffusion": Stack(layers=("diffusion",)),
        "polysilicon": Stack(layers=("polysilicon",)),
        "gate": Stack(layers=("diffusion", "polysilicon")),
        "buried_contact": Stack(layers=("diffusion", "polysilicon", "buried_contact")),
        "metal": Stack(layers=("metal",), hides=under_metal),
        "contact": Stack(layers=("metal", "contact"), hides=under_metal, dot=True),
        "pad_opening": Stack(layers=("metal", "pad_opening"), hides=(*under_metal, "contact")),
        "debris": Stack(spoils=True),
    }


class StudySettings(Strict):
    """The whole configuration of a study."""

    title: str = Field("Untitled study", description="Title shown on the report.")
    reference: Name = Field(description="The die that carries the study frame.")
    dies: dict[Name, DieSettings] = Field(
        default_factory=dict, description="The specimens by name; see `die` below."
    )
    dies_table: str = Field(
        "",
        description="CSV table with a row a die: die, revision, tiles or picture, and optionally "
        "rows, columns, order, overlap_frac, name_pattern, positions, um_per_px.",
    )
    dies_pattern: DiePattern | None = Field(
        None, description="Many dies from folders; see `die pattern` below."
    )
    comparisons: tuple[Comparison | str, ...] = Field(
        (),
        description="Pairs to compare: `{before: a1, after: b1}`, or a pattern of die names such "
        "as `a*--b*`.",
    )
    marks: tuple[str, ...] = Field(
        ("config/marks/*.geojson",), description="Glob patterns of the mark files."
    )
    layers: tuple[Name, ...] = Field(
        ("diffusion", "polysilicon", "buried_contact", "contact", "metal", "pad_opening"),
        description="Layers of the process, in the order of the planes.",
    )
    stacks: dict[Name, Stack] = Field(
        default_factory=_default_stacks,
        description="What each swatch name stands for. Stacks given here are added to the ones "
        "built in, or replace them.",
    )
    block_px: int = Field(
        2048, ge=512, multiple_of=512, description="Side of the blocks that work goes by, px."
    )
    survey: SurveySettings = Field(SurveySettings(), description="See `survey` below.")
    stitch: StitchSettings = Field(StitchSettings(), description="See `stitch` below.")
    register_: RegisterSettings = Field(
        RegisterSettings(), alias="register", description="See `register` below."
    )
    segment: SegmentSettings = Field(SegmentSettings(), description="See `segment` below.")
    overlay: OverlaySettings = Field(OverlaySettings(), description="See `overlay` below.")
    difference: DifferenceSettings = Field(
        DifferenceSettings(), description="See `difference` below."
    )
    arrays: dict[Name, ArraySettings] = Field(
        default_factory=dict,
        description="Mask ROMs and decode planes to read bit by bit; see `array` below.",
    )
    bit_corrections: str = Field(
        "config/bit_corrections.csv",
        description="CSV table of bits that a person has checked: array, die, row, column, value "
        "(0, 1 or unreadable). It may be missing.",
    )
    verdicts: str = Field(
        "config/verdicts.csv",
        description="CSV table of what a person decided about the changes: comparison, change, "
        "verdict (accepted, rejected or open), and if wanted name, note, area_um2. It may be "
        "missing.",
    )
    report: ReportSettings = Field(ReportSettings(), description="See `report` below.")

    model_config = ConfigDict(
        extra="forbid", frozen=True, serialize_by_alias=True, validate_by_alias=True
    )

    def main_view(self, die: str) -> str:
        """The view whose mosaic stands for a die: the segmented one, or its first."""
        views = self.dies[die].views
        return self.segment.view if self.segment.view in views else next(iter(views))

    def further_views(self, die: str) -> tuple[str, ...]:
        """The views of a die besides its main one."""
        return tuple(v for v in self.dies[die].views if v != self.main_view(die))

    def stacks_in(self, die: str, view: str) -> dict[str, Stack]:
        """What the swatches of a view stand for: stacks without what had been stripped off."""
        gone = self.dies[die].views[view].stripped_layers
        return {name: stack.without(gone) for name, stack in self.stacks.items()}

    @model_validator(mode="before")
    @classmethod
    def _add_default_stacks(cls, data: object) -> object:
        if isinstance(data, dict) and isinstance(data.get("stacks"), dict):
            built_in = {k: v.model_dump() for k, v in _default_stacks().items()}
            return {**data, "stacks": built_in | data["stacks"]}
        return data
