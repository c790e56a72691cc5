"""All errors and warnings that maskdelta raises on purpose.

MaskdeltaError                 one clear sentence for a person; never shown with a traceback
├── ConfigurationError         a key or mark is wrong; holds every fault found, not only the first
├── ImageError                 a picture cannot be read or does not fit the others
├── StitchError                tiles cannot be placed
├── RegistrationRefused        two dies cannot be laid over one another with confidence
├── SegmentationError          swatches are missing or do not separate the layers
└── ArrayError                 an array cannot be found or read
"""

from __future__ import annotations

from collections.abc import Sequence

__all__ = [
    "ArrayError",
    "ConfigurationError",
    "ImageError",
    "MaskdeltaError",
    "RegistrationRefused",
    "SegmentationError",
    "StitchError",
]


class MaskdeltaError(Exception):
    """A fault that a person can mend; its text says which file or key, what, and what to do."""


class ConfigurationError(MaskdeltaError):
    """One or more faults of the configuration or the marks.

    Parameters
    ----------
    faults : sequence of str
        One sentence each.
    """

    def __init__(self, faults: Sequence[str]) -> None:
        self.faults = list(faults)
        super().__init__("\n".join(self.faults))


class ImageError(MaskdeltaError):
    """A picture cannot be read, or its size, depth or kind does not fit."""


class StitchError(MaskdeltaError):
    """Tiles cannot be placed."""


class RegistrationRefused(MaskdeltaError):
    """Two dies cannot be registered with confidence; the text gives counts and remedies."""


class SegmentationError(MaskdeltaError):
    """Layers cannot be told apart with the swatches given."""


class ArrayError(MaskdeltaError):
    """The cells of a programmed array cannot be found, or its bits cannot be told apart."""
