"""Faults of `maskdelta where`, one sentence each; its places are tested on the sample study."""

from __future__ import annotations

from pathlib import Path

import pytest

from maskdelta.cli import main


@pytest.fixture(autouse=True)
def study(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("c.yaml").write_text("reference: a1\ndies: {a1: {revision: A, tiles: 't/*.png'}}\n")


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (["--die", "b7"], "--die b7: the study has no such die; choose one of a1."),
        (["--tile", "t1.png"], "--tile t1.png: name its die too, with --die."),
        (["--die", "a1"], "results/dies/a1/top/tiles.csv: not there yet; run the study first."),
    ],
)
def test_faults_are_said_in_a_sentence(options: list[str], sentence: str, capsys) -> None:
    assert main(["where", "c.yaml", "5", "6", *options]) == 1
    assert capsys.readouterr().err.strip() == sentence
