"""Synthetic dies and a camera with known truth.

`make_layout` draws a die, `revise` turns one revision into the next, `make_specimen` makes a die
of it as a fab would, `photograph` takes pictures; `make_study` does all of it for two dies.
"""

from maskdelta.phantom._camera import Camera
from maskdelta.phantom._edit_kinds import EditRequest
from maskdelta.phantom._edits import ALL_KINDS, SAMPLE_EDITS, Edit, revise
from maskdelta.phantom._films import Films
from maskdelta.phantom._floorplan import make_layout
from maskdelta.phantom._layers import LAYERS, STACKS
from maskdelta.phantom._layout import Bit, Layout, Region
from maskdelta.phantom._masks import AnyMasks, Masks
from maskdelta.phantom._paint import LookSettings
from maskdelta.phantom._photograph import photograph, take_picture
from maskdelta.phantom._presets import DieSettings, Photographer, Preset, load_preset
from maskdelta.phantom._programmed import Programmed, programmed_arrays
from maskdelta.phantom._specimen import Specimen, SpecimenSettings, make_specimen
from maskdelta.phantom._stage import CameraSettings, Shot
from maskdelta.phantom._study import Study, make_study
from maskdelta.phantom._truth import TileTruth, Truth, read_truth, visible_share

__all__ = [
    "ALL_KINDS",
    "LAYERS",
    "SAMPLE_EDITS",
    "STACKS",
    "AnyMasks",
    "Bit",
    "Camera",
    "CameraSettings",
    "DieSettings",
    "Edit",
    "EditRequest",
    "Films",
    "Layout",
    "LookSettings",
    "Masks",
    "Photographer",
    "Preset",
    "Programmed",
    "Region",
    "Shot",
    "Specimen",
    "SpecimenSettings",
    "Study",
    "TileTruth",
    "Truth",
    "load_preset",
    "make_layout",
    "make_specimen",
    "make_study",
    "photograph",
    "programmed_arrays",
    "read_truth",
    "revise",
    "take_picture",
    "visible_share",
]
