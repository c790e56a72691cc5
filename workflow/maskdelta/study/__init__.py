"""The study model: configuration, frames, marks, and the objects that stages hand over."""

from maskdelta.study._array_config import (
    ArrayAxis,
    ArrayBit,
    ArraySettings,
    ArrayTerms,
    ArrayWords,
)
from maskdelta.study._bit_matrix import BIT_WORDS, UNREADABLE, BitMatrix, read_corrections
from maskdelta.study._chain import Chain, Fragment, Keystone, Warp
from maskdelta.study._config import (
    OME_POSITIONS,
    Comparison,
    DieSettings,
    DifferenceSettings,
    Grid,
    OverlaySettings,
    RegisterSettings,
    ReportSettings,
    SegmentSettings,
    Stack,
    StitchSettings,
    StudySettings,
    SurveySettings,
    ViewSettings,
)
from maskdelta.study._frames import Frames
from maskdelta.study._geometry import (
    apply_affine,
    compose_affine,
    fit_affine,
    fit_similarity,
    invert_affine,
    mean_scale,
    round_points,
)
from maskdelta.study._layer_stack import LaidPhotograph, LayerStack
from maskdelta.study._load import config_schema, expand_study, read_study, study_from_mapping
from maskdelta.study._marks import ROLES, Mark, map_mark, mark_in_mosaic, read_marks
from maskdelta.study._poses import Pose, Poses
from maskdelta.study._registration import Registration
from maskdelta.study._scale import Scale, scale_of_view
from maskdelta.study._study_frame import ToStudy, link_path, link_to_study
from maskdelta.study._tables import (
    TABLES,
    Column,
    Table,
    read_json,
    read_table,
    write_json,
    write_table,
)
from maskdelta.study._verdicts import RULINGS, Verdict, read_verdicts

__all__ = [
    "BIT_WORDS",
    "OME_POSITIONS",
    "ROLES",
    "RULINGS",
    "TABLES",
    "UNREADABLE",
    "ArrayAxis",
    "ArrayBit",
    "ArraySettings",
    "ArrayTerms",
    "ArrayWords",
    "BitMatrix",
    "Chain",
    "Column",
    "Comparison",
    "DieSettings",
    "DifferenceSettings",
    "Fragment",
    "Frames",
    "Grid",
    "Keystone",
    "LaidPhotograph",
    "LayerStack",
    "Mark",
    "OverlaySettings",
    "Pose",
    "Poses",
    "RegisterSettings",
    "Registration",
    "ReportSettings",
    "Scale",
    "SegmentSettings",
    "Stack",
    "StitchSettings",
    "StudySettings",
    "SurveySettings",
    "Table",
    "ToStudy",
    "Verdict",
    "ViewSettings",
    "Warp",
    "apply_affine",
    "compose_affine",
    "config_schema",
    "expand_study",
    "fit_affine",
    "fit_similarity",
    "invert_affine",
    "link_path",
    "link_to_study",
    "map_mark",
    "mark_in_mosaic",
    "mean_scale",
    "read_corrections",
    "read_json",
    "read_marks",
    "read_study",
    "read_table",
    "read_verdicts",
    "round_points",
    "scale_of_view",
    "study_from_mapping",
    "write_json",
    "write_table",
]
