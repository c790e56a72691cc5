"""Layer stacks, registration and overlay -> masks, ranked changes, what could not be compared."""

from maskdelta.difference._changes import Change, Landmark, landmark_of, rank_changes
from maskdelta.difference._compare import compare_dies, measure_sensitivity
from maskdelta.difference._difference import Differences
from maskdelta.difference._exports import write_exports
from maskdelta.difference._inputs import DiePair
from maskdelta.difference._landmarks import landmarks_in_study
from maskdelta.difference._masks import ADDED, NOT_COMPARABLE, REMOVED, SAME, compare_layer
from maskdelta.difference._null import NullPair
from maskdelta.difference._rank import rank_comparison
from maskdelta.difference._specimens import OtherPair
from maskdelta.difference._verdicts import apply_verdicts

__all__ = [
    "ADDED",
    "NOT_COMPARABLE",
    "REMOVED",
    "SAME",
    "Change",
    "DiePair",
    "Differences",
    "Landmark",
    "NullPair",
    "OtherPair",
    "apply_verdicts",
    "compare_dies",
    "compare_layer",
    "landmark_of",
    "landmarks_in_study",
    "measure_sensitivity",
    "rank_changes",
    "rank_comparison",
    "write_exports",
]
