"""The survey page: what is wrong with which tile, and where another one is needed."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from maskdelta.report import write_survey_page
from maskdelta.report._survey_page import _letters
from maskdelta.survey import FlatField, Survey
from maskdelta.survey._dust import Speck
from report_scene import HEIGHT, survey_of


@pytest.fixture
def tiles(tmp_path):
    folder = tmp_path / "tiles"
    folder.mkdir()
    for k in (1, 2):
        cv2.imwrite(str(folder / f"t#{k}.png"), np.full((HEIGHT, 370, 3), 90 * k, np.uint8))
    return [str(folder / f"t#{k}.png") for k in (1, 2)]


def write(tmp_path, tiles, flat_field=None) -> str:
    names = [path.rpartition("/")[2] for path in tiles]
    survey = survey_of(names, [270.0 * k for k in range(len(names))], flat_field or FlatField())
    path = tmp_path / "survey" / "index.html"
    write_survey_page(path, survey, tiles, die="a1", view="top")
    return path.read_text(encoding="utf-8")


def test_tiles_are_flagged_in_words(tmp_path, tiles):
    text = write(tmp_path, tiles)
    assert "2 tiles. 1 tile with a remark. 2 places need another tile." in text
    assert text.count("out of focus") == 2  # on the map and in the table
    assert 'src="pictures/tile_0001.jpg"' in text
    assert (tmp_path / "survey" / "pictures" / "tile_0002.jpg").is_file()


def test_gaps_say_how_to_get_there(tmp_path, tiles):
    text = write(tmp_path, tiles)
    # the gap lies half a tile to the right of the last tile, and a tenth down
    assert (
        "from t#2.png: 185 px (0.50 tile widths) right and 42 px (0.10 tile heights) down" in text
    )
    assert "overlap by 3.0 % of a tile only" in text
    assert text.count('class="need"') == 2
    assert text.count('class="hole"') == 1  # a thin overlap is no hole


def test_the_flat_field_is_drawn_where_there_is_one(tmp_path, tiles):
    assert "Flat field" not in write(tmp_path, tiles)
    text = write(tmp_path, tiles, FlatField(2, np.full((3, 5), -0.1)))
    assert "Flat field" in text
    assert (tmp_path / "survey" / "pictures" / "shading_dark.png").is_file()


def test_dust_on_the_sensor_is_listed(tmp_path, tiles):
    words = " ".join(write(tmp_path, tiles).split())
    assert "1 soft dark spot was found" in words
    assert "it stays in the mosaic" in words
    dusty = FlatField(specks=(Speck(120.0, 80.0, 3.2, 0.07, 9),), width_px=370)
    assert "It is divided out with the flat field" in " ".join(
        write(tmp_path, tiles, dusty).split()
    )


def test_one_finished_picture(tmp_path, tiles):
    row = survey_of(["t#1.png"], [0.0], FlatField()).quality[0] | {"flags": ""}
    figures = survey_of(["t#1.png"], [0.0], FlatField()).figures | {"places": "one picture"}
    path = tmp_path / "survey" / "index.html"
    write_survey_page(path, Survey([row], [], figures=figures), tiles[:1], die="a1", view="top")
    text = path.read_text(encoding="utf-8")
    assert "1 tile. It looks usable." in text
    assert "another tile is needed" not in text


def test_the_same_bytes_twice(tmp_path, tiles):
    first = write(tmp_path, tiles)
    pictures = {p.name: p.read_bytes() for p in (tmp_path / "survey" / "pictures").iterdir()}
    assert write(tmp_path, tiles) == first
    assert pictures == {
        p.name: p.read_bytes() for p in (tmp_path / "survey" / "pictures").iterdir()
    }


def test_letters_never_run_out():
    names = _letters(800)
    assert names[:2] == ["A", "B"]
    assert names[25:28] == ["Z", "AA", "AB"]
    assert names[701:703] == ["ZZ", "AAA"]
    assert len(set(names)) == 800
