"""What a registration hands over, and the figures it tells."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from maskdelta.register._blocks import rounded
from maskdelta.register._error_map import ErrorMap
from maskdelta.study import Registration, write_table

__all__ = ["Registered", "miss_figures"]


@dataclass(frozen=True)
class Registered:
    """A registration with its control points and error map."""

    registration: Registration
    residuals: list[dict[str, Any]]
    error: ErrorMap

    def write(self, folder: str | Path) -> None:
        """Write registration.json, residuals.csv and registration_error.tif."""
        folder = Path(folder)
        self.registration.write(folder / "registration.json")
        write_table(folder / "residuals.csv", "residuals", self.residuals)
        self.error.write(folder / "registration_error.tif")


def miss_figures(rows: list[dict[str, Any]]) -> dict[str, float | int]:
    """Figures of the rows of `residuals.csv`: counts, and lengths in px of the mosaic before."""
    used = [row for row in rows if row["weight"] > 0]
    left_out, fitted = (
        np.hypot(*np.array([[r[f"{key}dx_px"], r[f"{key}dy_px"]] for r in used]).reshape(-1, 2).T)
        for key in ("left_out_", "")
    )
    return {
        "control_points_used": len(used),
        "left_out_rms_px": rounded(np.sqrt((left_out**2).mean())),
        "left_out_p95_px": rounded(np.percentile(left_out, 95)),
        "fit_rms_px": rounded(np.sqrt((fitted**2).mean())),
    }
