"""What makes a rule stale: the content of packages, whatever their depth, and of marks."""

from __future__ import annotations

from pathlib import Path

import pytest
import shapely

from maskdelta.cli import code_digest, marks_digest
from maskdelta.study import Mark


@pytest.fixture
def package(tmp_path: Path, monkeypatch) -> Path:
    for name in ("one/a.py", "one/templates/page.html", "two/b.py"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(name)
    monkeypatch.setattr("importlib.resources.files", lambda _: tmp_path)
    return tmp_path


@pytest.mark.parametrize("name", ["one/a.py", "one/templates/page.html"])
def test_an_edited_file_of_a_package_changes_its_digest(package: Path, name: str) -> None:
    before = code_digest("one")
    (package / name).write_text("edited")
    assert code_digest("one") != before
    (package / name).write_text(name)
    assert code_digest("one") == before


def test_other_packages_and_caches_do_not_matter(package: Path) -> None:
    before = code_digest("one")
    (package / "two/b.py").write_text("edited")
    (package / "one/__pycache__").mkdir()
    (package / "one/__pycache__/a.pyc").write_text("compiled")
    assert code_digest("one") == before


def test_marks_of_other_roles_and_dies_do_not_matter() -> None:
    box = shapely.box(0, 0, 5, 5)
    mine = Mark("swatch", "m", box, "tile", "a1", tile="t", stack="metal")
    others = [
        Mark("landmark", "ROM", box),
        Mark("swatch", "m", box, "tile", "b1", tile="t", stack="metal"),
    ]
    moved = Mark("swatch", "m", shapely.box(1, 0, 5, 5), "tile", "a1", tile="t", stack="metal")
    before = marks_digest([mine], "swatch", ("a1",))
    assert marks_digest([mine, *others], "swatch", ("a1",)) == before
    assert marks_digest([moved], "swatch", ("a1",)) != before
