"""The configuration: faults in one sentence each, expansion, and no drift of its documents."""

from __future__ import annotations

import difflib
import json
from pathlib import Path

import pytest

from maskdelta.cli._reference import config_reference
from maskdelta.cli._schemas import write_schemas
from maskdelta.errors import ConfigurationError
from maskdelta.study import StudySettings, expand_study, read_study, study_from_mapping

ROOT = Path(__file__).parents[2]
DIE = {"revision": "A", "tiles": "photos/a1/*.jpg"}


def faults(data: dict) -> list[str]:
    with pytest.raises(ConfigurationError) as caught:
        expand_study(study_from_mapping(data))
    return caught.value.faults


def test_a_die_with_one_view_is_one_line() -> None:
    study = study_from_mapping({"reference": "a1", "dies": {"a1": DIE}})
    assert study.dies["a1"].views["top"].tiles == "photos/a1/*.jpg"


def test_every_fault_is_told_at_once_with_the_nearest_known_key() -> None:
    found = faults(
        {
            "reference": "a1",
            "stich": {},
            "dies": {
                "a1": {**DIE, "grid": {"rows": 2, "colums": 3}},
                "b1": {"revisoin": "B", "picture": "b.png"},
            },
        }
    )
    assert "configuration: unknown key `stich`; did you mean `stitch`?" in found
    assert any("`dies.b1.revisoin`; did you mean `revision`?" in f for f in found)
    assert any("colums`; did you mean `columns`?" in f for f in found)
    assert any("`dies.b1.revision` is missing" in f for f in found)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"picture": "a.png"}, "either `tiles` or `picture`"),
        ({"um_per_px": -1}, "greater than 0"),
        ({"grid": {"rows": 2, "columns": 2, "order": "spiral"}}, "raster_rows"),
        ({"positions": "p.csv", "grid": {"rows": 2, "columns": 2}}, "one of `grid`, `positions`"),
    ],
)
def test_values_out_of_bounds_are_refused(change: dict, words: str) -> None:
    found = faults({"reference": "a1", "dies": {"a1": {**DIE, **change}}})
    assert any(words in f for f in found), found


def test_names_become_paths_and_are_checked() -> None:
    found = faults({"reference": "a1", "dies": {"a1": DIE, "../up": DIE}})
    assert any("letters, digits" in f for f in found), found


def test_comparison_patterns_are_written_out() -> None:
    dies = {name: {**DIE, "revision": name[0].upper()} for name in ("a1", "a2", "b1")}
    study = expand_study(
        study_from_mapping({"reference": "a1", "dies": dies, "comparisons": ["a*--b*"]})
    )
    assert [c.name for c in study.comparisons] == ["a1--b1", "a2--b1"]


def test_a_comparison_with_an_unknown_die_names_the_nearest() -> None:
    data = {"reference": "a1", "dies": {"a1": DIE}, "comparisons": [{"before": "a1", "after": "a"}]}
    assert faults(data) == [
        "configuration: `comparisons.0` names the die `a`, which is not there; did you mean `a1`?"
    ]


def test_dies_from_a_table_and_from_folders(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    for die in ("C/c1", "C/c2"):
        (tmp_path / "photos" / die).mkdir(parents=True)
        (tmp_path / "photos" / die / "t1.jpg").touch()
    Path("dies.csv").write_text("die,revision,tiles,rows,columns\nb1,B,x/*.jpg,2,3\n")
    study = expand_study(
        study_from_mapping(
            {
                "reference": "b1",
                "dies_table": "dies.csv",
                "dies_pattern": {"tiles": "photos/{revision}/{die}/*.jpg"},
            }
        )
    )
    assert sorted(study.dies) == ["b1", "c1", "c2"]
    assert study.dies["c2"].revision == "C"
    assert study.dies["b1"].views["top"].grid.columns == 3


def test_a_table_row_with_a_fault_names_file_and_row(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("dies.csv").write_text("die,revision,tiles,rows,columns\nb1,B,x/*.jpg,two,3\n")
    (found,) = faults({"reference": "b1", "dies_table": "dies.csv"})[:1]
    assert found.startswith("dies.csv: row 2: ")


def test_user_stacks_are_added_to_the_built_in_ones() -> None:
    data = {
        "reference": "a1",
        "dies": {"a1": DIE},
        "layers": ["diffusion", "polysilicon", "metal", "second_metal"],
        "stacks": {"upper": {"layers": ["second_metal"], "hides": ["metal"]}},
    }
    study = expand_study(study_from_mapping(data))
    assert study.stacks["upper"].layers == ("second_metal",)
    assert study.stacks["gate"].layers == ("diffusion", "polysilicon")


def test_a_stack_with_an_unknown_layer_is_a_fault() -> None:
    data = {"reference": "a1", "dies": {"a1": DIE}, "stacks": {"x": {"layers": ["nitride"]}}}
    assert any("`stacks.x` names the layer `nitride`" in f for f in faults(data))


@pytest.mark.parametrize("text", ["", "- 1", "a: [", "\tx: 1"])
def test_a_file_that_is_no_configuration_gives_a_sentence(tmp_path: Path, text: str) -> None:
    path = tmp_path / "c.yaml"
    path.write_text(text)
    with pytest.raises(ConfigurationError, match=r"c\.yaml: "):
        read_study(path)


def test_the_sample_configuration_is_valid(monkeypatch) -> None:
    monkeypatch.chdir(ROOT)
    study = read_study("config/config.yaml")
    assert [c.name for c in study.comparisons] == ["a1--b1"]


def test_the_written_schemas_are_those_of_the_code(tmp_path: Path) -> None:
    for fresh in write_schemas(tmp_path):
        stored = ROOT / "workflow" / "schemas" / fresh.name
        difference = difflib.unified_diff(
            stored.read_text().splitlines(), fresh.read_text().splitlines(), lineterm=""
        )
        changed = "\n".join(difference)
        assert not changed, f"run `maskdelta schemas`\n{changed}"


def test_the_reference_of_keys_is_that_of_the_code() -> None:
    text = (ROOT / "config" / "README.md").read_text()
    assert config_reference() in text, "run `maskdelta schemas`"


def test_every_key_has_a_description() -> None:
    schema = StudySettings.model_json_schema(by_alias=True)
    for name, model in {"study": schema, **schema["$defs"]}.items():
        for key, entry in model["properties"].items():
            assert entry.get("description"), f"{name}.{key}"
    assert json.dumps(schema)


def test_stacks_of_a_stripped_view_are_those_without_the_layer() -> None:
    views = {
        "top": {"tiles": "a/*.jpg"},
        "bare": {"tiles": "b/*.jpg", "stripped_layers": ["metal"]},
    }
    study = study_from_mapping(
        {"reference": "a1", "dies": {"a1": {"revision": "A", "views": views}}}
    )
    assert study.further_views("a1") == ("bare",)
    assert study.stacks_in("a1", "top") == study.stacks
    bare = study.stacks_in("a1", "bare")
    assert bare["contact"].layers == ("contact",)
    assert bare["contact"].hides == study.stacks["contact"].hides
    assert bare["metal"].layers == ()
    assert bare["gate"] == study.stacks["gate"]
