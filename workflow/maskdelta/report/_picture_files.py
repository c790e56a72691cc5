"""Writing pictures with fixed settings: the same pixels give the same bytes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from maskdelta.images import eight_bits

__all__ = ["save_jpeg", "save_png"]


def save_jpeg(path: Path, image: NDArray[Any], *, quality: int = 85) -> None:
    """Write a colour picture as JPEG."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(imagecodecs.jpeg8_encode(np.ascontiguousarray(eight_bits(image)), quality))


def save_png(path: Path, indices: NDArray[np.uint8], palette: NDArray[np.uint8]) -> None:
    """Write a picture of few colours: an index of the (n, 3) palette for each px."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(imagecodecs.png_encode(np.ascontiguousarray(palette[indices]), level=9))
