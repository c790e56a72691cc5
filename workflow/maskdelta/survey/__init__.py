"""The survey: quality, neighbours, shading and exposure of the tiles of a view."""

from maskdelta.survey._flat_field import FlatField
from maskdelta.survey._small import SmallPicture, SmallPictures
from maskdelta.survey._survey import Survey, survey

__all__ = ["FlatField", "SmallPicture", "SmallPictures", "Survey", "survey"]
