"""Close looks at a registration: places chosen by their miss, pictures that show a step."""

from __future__ import annotations

import numpy as np

from maskdelta.report._fit_places import checkerboard, choose_places, outlines


def row(x: float, y: float, miss: float, weight: float = 1.0) -> dict[str, float]:
    return {
        "x_px": x,
        "y_px": y,
        "left_out_dx_px": miss,
        "left_out_dy_px": 0.0,
        "weight": weight,
    }


def test_places_are_chosen_by_the_miss_of_their_surroundings() -> None:
    # three groups of seven that miss by 0.1, 0.3 and 0.9 px; one lucky point amid the worst
    rows = [row(1000 * g + k, 0, miss) for g, miss in enumerate((0.3, 0.9, 0.1)) for k in range(7)]
    rows[10] = row(1003, 0, 0.0)
    rows.append(row(5000, 0, 40.0, weight=0.0))  # rejected: a block that moved is no place
    worst, typical, best = choose_places(rows)
    assert [place[0] for place in (worst, typical, best)] == ["worst", "typical", "best"]
    assert [place[1][0] // 1000 for place in (worst, typical, best)] == [1, 0, 2]
    np.testing.assert_allclose(best[2], 0.1)
    np.testing.assert_allclose(worst[2], np.sqrt(5 / 6) * 0.9)
    assert choose_places(rows[:2]) == []


def test_squares_come_from_both_pictures_in_turn() -> None:
    before, after = np.zeros((60, 60, 3), np.uint8), np.full((60, 60, 3), 200, np.uint8)
    mixed = checkerboard(before, after, across=6)[..., 0]
    assert (mixed[:10, :10] == 0).all()
    assert (mixed[:10, 10:20] == 200).all()
    assert (mixed[10:20, :10] == 200).all()
    assert mixed.mean() == 100


def test_outlines_that_meet_are_white_and_others_coloured() -> None:
    picture = np.zeros((80, 80, 3), np.uint8)
    picture[20:60, 20:60] = 200
    other = 255 - picture // 2  # contrast inverted between photographers
    same = outlines(picture, other).astype(int)
    assert same.max() > 240
    assert (np.ptp(same, axis=-1) < 12).all()  # 8 bits of two gradients
    shifted = outlines(picture, np.roll(other, 8, axis=1)).astype(int)
    left_before, left_after = shifted[40, 20], shifted[40, 28]
    assert left_before[2] > 200 > 100 > left_before[0]  # blue
    assert left_after[0] > 200 > 100 > left_after[2]  # orange
