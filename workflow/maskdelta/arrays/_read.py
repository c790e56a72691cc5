"""One array of one die: lattice, bits, and the figures of both."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from maskdelta.arrays._bits import DieRasters, read_bits
from maskdelta.arrays._find import find_lattice, marks_miss_px
from maskdelta.arrays._fit import LatticeFit
from maskdelta.arrays._lattice import Lattice
from maskdelta.arrays._marked import cells_taught, corners_of
from maskdelta.study import ArraySettings, BitMatrix, Frames, Mark, write_json

__all__ = ["ArrayReading", "check_marks", "read_array"]

_LEAST_COHERENCE = 0.3


@dataclass(frozen=True)
class ArrayReading:
    """Bits of an array of a die and what `<array>.lattice.json` holds.

    Parameters
    ----------
    bits : BitMatrix
        Empty where the lattice was not found; `record["why"]` then says why.
    record : dict
    """

    bits: BitMatrix
    record: dict[str, Any]

    def write(self, folder: Path, name: str) -> None:
        """Write `<array>.bits.csv` and `<array>.lattice.json`."""
        self.bits.write(folder / f"{name}.bits.csv")
        write_json(folder / f"{name}.lattice.json", self.record)


def read_array(
    name: str,
    settings: ArraySettings,
    rasters: DieRasters,
    marks: Sequence[Mark],
    frames: Frames,
    die: str,
    *,
    corrections: Mapping[tuple[int, int], int] | None = None,
) -> ArrayReading:
    """Find and read an array.

    An array whose marks cannot be carried to this die is an empty reading with its reason; marks
    that contradict the settings are faults.

    Parameters
    ----------
    name : str
    settings : ArraySettings
    rasters : DieRasters
    marks : sequence of Mark
        Of all dies.
    frames : Frames
    die : str
        The one to be read.
    corrections : mapping of (row, column) to int, optional

    Raises
    ------
    ArrayError
        When marks and settings contradict each other.
    """
    link = frames.link(die)
    corners = corners_of(marks, name, frames, die)
    if len(corners) < 2:
        why = (
            f"{len(corners)} marked cells of `{name}` could be carried to `{die}`; mark "
            "three corner cells on this die (role `array_corner`)"
            + (f"; {link.why}" if link.why else "")
        )
        return ArrayReading(BitMatrix.nothing(), {"found": False, "why": why})
    fit = find_lattice(rasters.mosaic, corners, settings, name=name)
    taught = cells_taught(marks, name, frames, die, fit.lattice)
    scale = link.um_per_mosaic_px(corners[0].at_px)
    read = read_bits(rasters, fit.lattice, settings.bit, um_per_px=scale, taught=taught, name=name)
    bits = read.bits.corrected(corrections or {})
    miss = marks_miss_px(read.lattice, corners)
    record = {
        "found": True,
        "why": "",
        "lattice": read.lattice.record(),
        "pitch": {key: _pitch(read.lattice, fit, key, scale) for key in ("rows", "columns")},
        "unit": link.unit,
        "residual_px": round(fit.residual_px, 4),
        "coherence": round(fit.coherence, 4),
        "weak": fit.coherence < _LEAST_COHERENCE,
        "marks": len(corners),
        "marks_miss_px": [round(float(m), 2) for m in miss],
        "recentred_px": [round(float(v), 3) + 0.0 for v in read.recentred_px],
        "separation": round(read.separation, 2),
        "told_by": read.told_by,
        "ones": int((bits.value == 1).sum()),
        "zeros": int((bits.value == 0).sum()),
        "unreadable": bits.unreadable,
        "corrected": len(corrections or {}),
        "taught": len(taught),
    }
    return ArrayReading(bits, record)


def _pitch(lattice: Lattice, fit: LatticeFit, key: str, scale: float) -> dict[str, Any]:
    """Mean step without gaps, its standard error, and the steps and gaps as fitted."""
    axis = lattice.rows if key == "rows" else lattice.columns
    part = lattice.axis_slices()[key]
    terms = lattice.coefficients_px[part]
    frame = lattice.frames()[1 if key == "rows" else 0]
    unit = frame / np.linalg.norm(frame)
    along = terms @ unit
    k = len(lattice.coefficients_px)
    index = np.array([part.start, part.start + k])
    spread = unit @ fit.covariance_px2[np.ix_(index, index)] @ unit
    phases = [0.0, *along[1 : axis.period], along[0]]
    return {
        "px": round(float(along[0]) / axis.period, 5),
        "um": round(float(along[0]) / axis.period * scale, 5),
        "error_px": round(float(np.sqrt(max(spread, 0.0))) / axis.period, 5),
        "steps_px": [round(float(v), 3) for v in np.diff(phases)],
        "gap_px": round(float(along[-1]), 3) if axis.gaps else 0.0,
        "vector_px": [round(float(v), 5) for v in frame],
    }


def check_marks(marks: Sequence[Mark], arrays: Mapping[str, ArraySettings]) -> list[str]:
    """Faults of the marks that name an array, a sentence each."""
    faults = []
    for mark in marks:
        if mark.role not in ("array_corner", "array_cell"):
            continue
        settings = arrays.get(mark.label)
        if settings is None:
            known = ", ".join(arrays) or "none is there"
            faults.append(
                f"{mark.source}: `{mark.label}` is not under `arrays` ({known}); correct the label."
            )
            continue
        for number, axis, word in (
            (mark.row, settings.rows, "row"),
            (mark.column, settings.columns, "column"),
        ):
            if number is not None and not -axis.count <= number < axis.count:
                faults.append(
                    f"{mark.source}: {word} {number} is not in `{mark.label}`, which has "
                    f"{axis.count} {word}s; correct it."
                )
    return faults
