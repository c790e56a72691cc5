"""Layer stacks, registration and overlay -> masks, ranked changes, what could not be compared."""

from maskdelta.difference._changes import Change, Landmark, landmark_of, rank_changes
from maskdelta.difference._compare import compare_dies, landmarks_in_study
from maskdelta.difference._difference import Differences, find_differences
from maskdelta.difference._masks import ADDED, NOT_COMPARABLE, REMOVED, SAME, compare_layer
from maskdelta.difference._write import make_changes, write_comparison

__all__ = [
    "ADDED",
    "NOT_COMPARABLE",
    "REMOVED",
    "SAME",
    "Change",
    "Differences",
    "Landmark",
    "compare_dies",
    "compare_layer",
    "find_differences",
    "landmark_of",
    "landmarks_in_study",
    "make_changes",
    "rank_changes",
    "write_comparison",
]
