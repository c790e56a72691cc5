"""Small pictures of the tiles, kept for what comes after the survey."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskdelta.errors import MaskdeltaError
from maskdelta.survey._look import Look

__all__ = ["SmallPicture", "SmallPictures"]


@dataclass(frozen=True)
class SmallPicture:
    """A tile in cells of `cell_px` x `cell_px` px.

    Attributes
    ----------
    linear : (h, w, 3) float32
        Mean linear light of each cell, as photographed.
    usable : (h, w) bool
        Cells without a clipped or black px.
    sharpness : (h, w) float32
        Root of the mean squared Laplacian of the grey, 0..255, full resolution.
    """

    cell_px: int
    linear: NDArray[np.float32]
    usable: NDArray[np.bool_]
    sharpness: NDArray[np.float32]


@dataclass(frozen=True)
class SmallPictures:
    """The small pictures of a view by file name; those in a file are read when asked for.

    Attributes
    ----------
    cell_px : int
        The same for all tiles of a view; 0 when there are none.
    """

    cell_px: int = 0
    _arrays: Mapping[str, NDArray[Any]] = field(default_factory=dict)

    @classmethod
    def of(cls, looks: Sequence[Look]) -> SmallPictures:
        """What the looks at the tiles hold anyway."""
        arrays: dict[str, NDArray[Any]] = {}
        for look in looks:
            arrays[f"linear {look.file}"] = look.linear
            arrays[f"usable {look.file}"] = look.usable
            arrays[f"sharpness {look.file}"] = look.stored_sharpness
        return cls(looks[0].cell_px if looks else 0, arrays)

    def of_tile(self, file: str) -> SmallPicture:
        """The small picture of a tile.

        Raises
        ------
        MaskdeltaError
            When there is none.
        """
        try:
            linear, usable, sharpness = (
                self._arrays[f"{kind} {file}"] for kind in ("linear", "usable", "sharpness")
            )
        except KeyError:
            raise MaskdeltaError(
                f"{file}: the survey has no small picture of this tile; run the survey again."
            ) from None
        return SmallPicture(
            self.cell_px, linear.astype(np.float32), usable, sharpness.astype(np.float32)
        )

    def write(self, path: str | Path) -> None:
        """Write all as one `.npz`, about 0.3 MB a tile."""
        with Path(path).open("wb") as file:
            np.savez(file, cell_px=np.array(self.cell_px), **self._arrays)  # type: ignore[arg-type]

    @classmethod
    def read(cls, path: str | Path) -> SmallPictures:
        """Open what `write` wrote.

        Raises
        ------
        MaskdeltaError
            When it is missing or is not what it should be.
        """
        try:
            arrays = np.load(path, allow_pickle=False)
            return cls(int(arrays["cell_px"]), arrays)
        except (OSError, ValueError, KeyError, TypeError):
            raise MaskdeltaError(
                f"{path}: these are not the small pictures of a survey; delete the file and run "
                "the survey again."
            ) from None
