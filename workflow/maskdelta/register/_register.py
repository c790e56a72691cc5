"""Lay the mosaic of one die over that of another, or refuse to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from shapely import LineString

from maskdelta.images import Box
from maskdelta.register._blocks import rejected_groups, rounded, with_lost
from maskdelta.register._control import ControlPoints, Side
from maskdelta.register._cracks import join, points_within, split_pair
from maskdelta.register._error_map import ErrorMap, error_map
from maskdelta.register._features import FeatureMatch
from maskdelta.register._find_crack import FoundCrack, lost_part, trace_crack
from maskdelta.register._fit import Fit, max_strain
from maskdelta.register._guess import from_point_pairs, guess_maps
from maskdelta.register._pair import Pair
from maskdelta.register._refine import as_registration, first_pass, search_lost, second_pass
from maskdelta.register._registered import Registered, miss_figures
from maskdelta.register._spectrum import match_spectra
from maskdelta.register._verify import HELP, Verified, doubts, verify
from maskdelta.study import Keystone, RegisterSettings, Registration

__all__ = ["register"]

Array = NDArray[np.float64]
Started = tuple[list[Verified], tuple[str, ...]]
"""Hypotheses that were looked at, the best one first, and the reasons to doubt it."""


def register(
    before: Side,
    after: Side,
    *,
    names: tuple[str, str],
    settings: RegisterSettings,
    point_pairs: tuple[Array, Array] | None = None,
    cracks: tuple[Sequence[LineString], Sequence[LineString]] = ((), ()),
    threads: int = 1,
) -> Registered:
    """Register the mosaic after to the mosaic before.

    Features on reduced pictures give an affine map, or else the spectra of their outlines; patches
    all over refine it, with a keystone where that predicts left-out blocks better, and at full
    scale in two passes; a smooth warp is added where it predicts left-out blocks better (see
    `fit_map`).

    Parameters
    ----------
    before, after : Side
    names : (str, str)
        Names of the two dies.
    settings : RegisterSettings
    point_pairs : ((n, 2), (n, 2)), optional
        Places before and after that a person says are the same, px of the mosaics; three or more
        take the place of the features and anchor the fit.
    cracks : (lines, lines)
        Cracks before and after, px of the mosaics; the pieces between them are registered each by
        itself, with the point pairs that lie on it. Where none is given, and no point pairs, and a
        part of a die lies otherwise than the rest, as a broken die's does, a crack is found.
    threads : int

    Returns
    -------
    Registered
        When the pair cannot be trusted, `registration.refused` holds the reasons and the map is
        the best guess, for pictures only.
    """
    pair = Pair(before, after, settings, threads)
    pieces = split_pair(pair, cracks)
    if len(pieces) > 1:
        return _register_pieces(pair, names, pieces, point_pairs)
    started = _start(pair, point_pairs)
    if point_pairs is None:
        whole = _register_cracked(pair, names, started)
        if whole is not None:
            return whole
    return _register_one(pair, names, *started)


def _register_pieces(
    pair: Pair,
    names: tuple[str, str],
    pieces: Sequence[Pair],
    point_pairs: tuple[Array, Array] | None,
) -> Registered:
    """Register each piece of a cracked die by itself."""
    parts = [_register_one(p, names, *_start(p, points_within(p, point_pairs))) for p in pieces]
    return join(pair, names, pieces, parts)


def _register_cracked(
    pair: Pair, names: tuple[str, str], started: Started, *, most: int = 3
) -> Registered | None:
    """Find cracks that nobody marked, one after the other, and register the pieces.

    None where there is no crack, or where the pieces cannot be laid over either.
    """
    found: list[FoundCrack] = []
    pieces, starts = [pair], [started]
    while len(found) < most:
        crack = next(filter(None, map(_find_crack, pieces, starts)), None)
        if crack is None:
            break
        parted = split_pair(pair, ((), [c.after for c in (*found, crack)]))
        if len(parted) == len(pieces):
            break  # it parts off a sliver only
        found.append(crack)
        pieces, starts = parted, [_start(piece, None) for piece in parted]
    if not found:
        return None
    parts = [_register_one(p, names, *s) for p, s in zip(pieces, starts, strict=True)]
    whole = join(pair, names, pieces, parts)
    if not whole.registration.trusted:
        return None
    figures = {**whole.registration.figures, "cracks": [crack.figures() for crack in found]}
    return replace(whole, registration=replace(whole.registration, figures=figures))


def _find_crack(piece: Pair, started: Started) -> FoundCrack | None:
    """A crack in what is left of a die, if there is one."""
    checked, _ = started
    lost = lost_part(piece, checked[0]) if checked else None
    if lost is None:
        return None
    others, refused = _start(lost, None)
    return None if refused else trace_crack(piece, checked[0], others[0])


def _register_one(
    pair: Pair, names: tuple[str, str], checked: list[Verified], refused: tuple[str, ...]
) -> Registered:
    """Register two mosaics, or two pieces of them, by one smooth map."""
    if refused:
        return _refused(pair, names, checked, refused)
    control, level = first_pass(pair, checked[0].plane)
    least = pair.settings.min_inliers // 4
    if len(control) < least:
        text = f"only {len(control)} patches agree at full scale, {least} are needed; {HELP}"
        return _refused(pair, names, checked, (text,))
    fit, control = second_pass(pair, control, level)
    lost = search_lost(pair, fit, control, level)
    return _finish(pair, names, checked[0], fit, control, lost, level)


def _start(pair: Pair, point_pairs: tuple[Array, Array] | None) -> Started:
    """Hypotheses that were looked at, the best one first, and the reasons to doubt it.

    Where features give nothing to trust, as between views with metal on and stripped, the spectra
    of the outlines are asked.
    """
    if point_pairs is not None and len(point_pairs[0]) >= 3:
        sources = [lambda: [from_point_pairs(*point_pairs)]]
    else:
        sources = [lambda: guess_maps(pair), lambda: match_spectra(pair)]
    guesses: list[FeatureMatch] = []
    checked: list[Verified] = []
    for source in sources:
        more = source()
        guesses += more
        checked = verify(pair, more, known=checked)
        refused = doubts(checked, guesses, pair.settings, pair.box)
        if not refused:
            break
    return checked, refused


def _finish(
    pair: Pair,
    names: tuple[str, str],
    best: Verified,
    fit: Fit,
    control: ControlPoints,
    lost: ControlPoints,
    level: int,
) -> Registered:
    spacing = pair.spacing_px(fit.plane.affine)
    every, judged = with_lost(control, fit, lost)
    labels, groups = rejected_groups(every, judged, spacing_px=spacing)
    rows = _rows(every, judged, labels)
    figures = _figures(best, fit, control, level, pair.box) | miss_figures(rows)
    registration = replace(
        as_registration(fit, names),
        figures=figures,
        groups=tuple(groups),
        refused=_last_doubts(figures, pair.settings),
    )
    error = error_map(
        pair.box, control, fit, spacing_px=spacing, max_strain=pair.settings.max_strain
    )
    return Registered(registration, rows, error)


def _figures(
    best: Verified, fit: Fit, control: ControlPoints, level: int, box: Box
) -> dict[str, Any]:
    """What was found on the way, px of the mosaic before."""
    knots = fit.warp.spacing_px
    return {
        "features": {
            "matches": best.match.matches,
            "agree": best.match.inliers,
            "kind": best.match.kind,
        },
        "patches_tried": best.tried,
        "patches_agree": best.agree,
        "level": level,
        "control_points": len(control),
        "knot_spacing_px": rounded(knots) if knots > 1 else None,
        "keystone_px": rounded(_keystone_px(fit.plane.keystone, box)),
        "layers_mix_px": rounded(np.sqrt(np.square(fit.mix_px).sum() / len(control))),
        "max_strain": round(max_strain(fit.warp, box), 7),
        "strain_capped": fit.strain_capped,
    }


def _last_doubts(figures: dict[str, Any], settings: RegisterSettings) -> tuple[str, ...]:
    """Reasons not to trust what came out."""
    found = []
    used, total = figures["control_points_used"], figures["control_points"]
    if used < max(settings.min_inliers, 0.3 * total):
        found.append(f"only {used} of {total} patches agree with one smooth map; {HELP}")
    if figures["left_out_rms_px"] > settings.max_error_px:
        found.append(
            f"patches left out of the fit miss by {figures['left_out_rms_px']} px; look at the "
            "stitching of both dies, or allow more with `register.max_error_px`"
        )
    return tuple(found)


def _rows(control: ControlPoints, fit: Fit, labels: list[int]) -> list[dict[str, Any]]:
    """Rows of `residuals.csv`."""
    return [
        {
            "x_px": x,
            "y_px": y,
            "dx_px": fit.residual_px[k, 0],
            "dy_px": fit.residual_px[k, 1],
            "left_out_dx_px": fit.left_out_px[k, 0],
            "left_out_dy_px": fit.left_out_px[k, 1],
            "score": control.score[k],
            "weight": fit.weight[k],
            "group": labels[k],
        }
        for k, (x, y) in enumerate(control.before_px)
    ]


def _keystone_px(keystone: Keystone, box: Box) -> float:
    """How far the keystone moves the corner that it moves most, px."""
    corners = np.array([[box.x0, box.y0], [box.x1, box.y0], [box.x1, box.y1], [box.x0, box.y1]])
    return float(np.hypot(*(keystone.apply(corners) - corners).T).max())


def _refused(
    pair: Pair, names: tuple[str, str], checked: list[Verified], refused: tuple[str, ...]
) -> Registered:
    best = checked[0] if checked else None
    identity = np.array([[1.0, 0, 0], [0, 1.0, 0]])
    registration = Registration(
        before=names[0],
        after=names[1],
        affine_after_to_before=identity if best is None else best.plane.affine,
        keystone=Keystone() if best is None else best.plane.keystone,
        mirror=False if best is None else best.match.mirror,
        figures={
            "hypotheses": [
                {
                    "features_agree": v.match.inliers,
                    "features": v.match.matches,
                    "kind": v.match.kind,
                    "mirror": v.match.mirror,
                    "patches_agree": v.agree,
                    "patches_tried": v.tried,
                    "score": rounded(v.score),
                    "affine_after_to_before": np.round(v.plane.affine, 8).tolist(),
                }
                for v in checked
            ]
        },
        refused=refused,
    )
    return Registered(registration, [], ErrorMap.over_box(pair.box, 65.0))
