"""Read a configuration file into `StudySettings`, with every fault in one sentence."""

from __future__ import annotations

import csv
import difflib
import fnmatch
import glob
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, get_args

import yaml
from pydantic import BaseModel, ValidationError

from maskdelta.errors import ConfigurationError
from maskdelta.study._config import (
    Comparison,
    DiePattern,
    DieSettings,
    StudySettings,
    ViewSettings,
)

__all__ = ["config_schema", "expand_study", "read_study", "study_from_mapping"]

_GRID_COLUMNS = ("rows", "columns", "order", "overlap_frac", "name_pattern")


def config_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the configuration file."""
    return StudySettings.model_json_schema(by_alias=True)


def read_study(path: str | Path) -> StudySettings:
    """Read, validate and expand a configuration file.

    Parameters
    ----------
    path : path
        A YAML file. Paths inside it are relative to the current folder.

    Returns
    -------
    StudySettings
        With dies from tables and patterns, and comparisons from patterns, written out.

    Raises
    ------
    ConfigurationError
        Holding one sentence for every fault found.
    """
    try:
        data = yaml.safe_load(Path(path).read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise ConfigurationError(
            [f"{path}: there is no such configuration file; give the path of one."]
        ) from None
    except (yaml.YAMLError, UnicodeDecodeError) as exc:
        reason = " ".join(str(exc).split())
        raise ConfigurationError([f"{path}: this is not a YAML file ({reason}).".strip()]) from None
    if not isinstance(data, dict):
        raise ConfigurationError([f"{path}: expected keys such as `dies:`, found none."])
    return expand_study(study_from_mapping(data, source=str(path)))


def study_from_mapping(data: Mapping[str, Any], *, source: str = "configuration") -> StudySettings:
    """Validate a mapping as the configuration file holds it.

    Raises
    ------
    ConfigurationError
        One sentence a fault, with the nearest known key for an unknown one.
    """
    try:
        return StudySettings.model_validate(dict(data))
    except ValidationError as exc:
        faults = [_sentence(source, error, data) for error in exc.errors()]
        raise ConfigurationError(list(dict.fromkeys(faults))) from None


def _sentence(source: str, error: Any, data: Mapping[str, Any]) -> str:
    loc = [str(part) for part in error["loc"] if not _is_type_tag(part)]
    key = ".".join(_as_written(loc, data)) or "(top level)"
    if error["type"] == "extra_forbidden":
        known = _known_keys(loc[:-1])
        near = difflib.get_close_matches(loc[-1], known, n=1, cutoff=0.5)
        hint = f"did you mean `{near[0]}`?" if near else f"known keys: {', '.join(sorted(known))}."
        return f"{source}: unknown key `{key}`; {hint}"
    if error["type"] == "missing":
        return f"{source}: the key `{key}` is missing; add it."
    if error["type"] == "value_error":
        return f"{source}: `{key}`: {error['ctx']['error']}."
    if error["type"] == "string_pattern_mismatch":
        return (
            f"{source}: `{key}`: the name `{error['input']}` may hold only letters, digits, `_` "
            "and `.`, and begins with a letter or digit; rename it."
        )
    message = error["msg"][0].lower() + error["msg"][1:]
    return f"{source}: `{key}`: {message}, but it is `{error['input']}`."


def _as_written(loc: list[str], data: Mapping[str, Any]) -> list[str]:
    """A key without the level `views.top`, where a die was written without it."""
    if loc[:2] == ["views", "top"]:
        return loc[2:]  # a row of a table holds one die
    if loc[:1] == ["dies"] and loc[2:4] == ["views", "top"]:
        die = data["dies"].get(loc[1])
        if isinstance(die, Mapping) and "views" not in die:
            return loc[:2] + loc[4:]
    return loc


def _is_type_tag(part: object) -> bool:
    return part in {"[key]", "Comparison", "str"} or (
        isinstance(part, str) and part.startswith("function-")
    )


def _known_keys(loc: list[str]) -> list[str]:
    """Keys allowed below `loc`, found by walking the models."""
    model: Any = StudySettings
    for part in loc:
        if not (isinstance(model, type) and issubclass(model, BaseModel)):
            continue
        fields = {(f.alias or name): f for name, f in model.model_fields.items()}
        if part in fields:
            model = _model_in(fields[part].annotation)
    if not (isinstance(model, type) and issubclass(model, BaseModel)):
        return []
    keys = [f.alias or name for name, f in model.model_fields.items()]
    if model is DieSettings:
        keys += list(ViewSettings.model_fields)
    if model is ViewSettings and "views" not in loc:
        keys += ["revision", "views"]
    return keys


def _model_in(annotation: Any) -> Any:
    """The model class inside an annotation such as `dict[str, Model]` or `Model | None`."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for arg in get_args(annotation):
        found = _model_in(arg)
        if found is not None:
            return found
    return None


def expand_study(study: StudySettings) -> StudySettings:
    """Write out dies from the table and the pattern, and comparisons from patterns.

    Raises
    ------
    ConfigurationError
        When a name is used twice, a pattern fits nothing, or a comparison names no die.
    """
    faults: list[str] = []
    dies = dict(study.dies)
    sources = [("dies_table", _dies_from_table(study.dies_table, faults))]
    if study.dies_pattern is not None:
        sources.append(("dies_pattern", _dies_from_pattern(study.dies_pattern, faults)))
    for key, more in sources:
        faults += [
            f"configuration: `{key}` names the die `{name}` again; rename one of the two."
            for name in more
            if name in dies
        ]
        dies |= {name: die for name, die in more.items() if name not in dies}
    if not dies:
        faults.append("configuration: no die is named; add one under `dies:`.")
    if dies and study.reference not in dies:
        faults.append(_no_die("reference", study.reference, list(dies)))
    comparisons = _expand_comparisons(study, list(dies), faults)
    faults += _layer_faults(study)
    faults += _array_faults(study)
    if faults:
        raise ConfigurationError(faults)
    return study.model_copy(
        update={
            "dies": dies,
            "dies_table": "",
            "dies_pattern": None,
            "comparisons": tuple(comparisons),
        }
    )


def _layer_faults(study: StudySettings) -> list[str]:
    """Stacks and settings that name a layer the study does not have.

    The built-in stacks may name layers that a study leaves out; those are simply not used.
    """
    known = set(study.layers)
    built_in = {
        layer
        for stack in StudySettings.model_fields["stacks"]
        .get_default(call_default_factory=True)
        .values()
        for layer in (*stack.layers, *stack.hides)
    }
    faults = []
    for name, stack in study.stacks.items():
        for layer in (*stack.layers, *stack.hides):
            if layer not in known | built_in:
                faults.append(
                    f"configuration: `stacks.{name}` names the layer `{layer}`, which is not "
                    "under `layers`; add it there."
                )
    for layer in study.difference.layers:
        if layer not in known:
            faults.append(
                f"configuration: `difference.layers` names `{layer}`, which is not under "
                f"`layers` ({', '.join(study.layers)})."
            )
    return faults


def _array_faults(study: StudySettings) -> list[str]:
    """Arrays that name a layer or another array which is not there or does not fit."""
    faults = []
    for name, array in study.arrays.items():
        if array.bit.layer and array.bit.layer not in study.layers:
            faults.append(
                f"configuration: `arrays.{name}.bit.layer` names `{array.bit.layer}`, which is not "
                f"under `layers` ({', '.join(study.layers)})."
            )
        plane = array.words.decoded_by if array.words else ""
        if not plane or array.words is None:
            continue
        key = f"configuration: `arrays.{name}.words.decoded_by`"
        other = study.arrays.get(plane)
        if other is None or other.terms is None:
            faults.append(f"{key} names `{plane}`, which is no array with `terms`; correct it.")
            continue
        lines = getattr(array, array.words.lines).count
        outputs = getattr(other, other.terms.lines).count
        if lines != outputs:
            faults.append(
                f"{key}: `{plane}` has {outputs} output lines, but `{name}` has {lines} word "
                "lines; correct one of them."
            )
    return faults


def _no_die(key: str, name: str, known: list[str]) -> str:
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.4)
    hint = f"did you mean `{near[0]}`?" if near else f"the dies are {', '.join(known)}."
    return f"configuration: `{key}` names the die `{name}`, which is not there; {hint}"


def _expand_comparisons(
    study: StudySettings, dies: list[str], faults: list[str]
) -> list[Comparison]:
    found: list[Comparison] = []
    for index, entry in enumerate(study.comparisons):
        key = f"comparisons.{index}"
        if isinstance(entry, Comparison):
            missing = [name for name in (entry.before, entry.after) if name not in dies]
            faults += [_no_die(key, name, dies) for name in missing]
            found += [] if missing else [entry]
            continue
        before, dashes, after = entry.partition("--")
        pairs = [
            Comparison(before=b, after=a)
            for b in dies
            for a in dies
            if dashes
            and a != b
            and fnmatch.fnmatchcase(b, before.strip())
            and fnmatch.fnmatchcase(a, after.strip())
        ]
        if not pairs:
            faults.append(
                f"configuration: `{key}`: the pattern `{entry}` fits no pair of dies; write it as "
                f"`before--after` with names from {', '.join(dies) or 'dies'}."
            )
        found += pairs
    return list(dict.fromkeys(found))


def _dies_from_table(path: str, faults: list[str]) -> dict[str, DieSettings]:
    if not path:
        return {}
    try:
        with open(path, encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
    except OSError:
        faults.append(f"{path}: the table of `dies_table` cannot be read; check the path.")
        return {}
    dies: dict[str, DieSettings] = {}
    for number, row in enumerate(rows, start=2):
        cells = {k: v.strip() for k, v in row.items() if k and v and v.strip()}
        grid = {k: cells.pop(k) for k in _GRID_COLUMNS if k in cells}
        name = cells.pop("die", "")
        data: dict[str, Any] = {**cells, **({"grid": grid} if grid else {})}
        if not name or name in dies:
            faults.append(f"{path}: row {number}: give a new name in the column `die`.")
            continue
        try:
            dies[name] = DieSettings.model_validate(data)
        except ValidationError as exc:
            faults += [_sentence(f"{path}: row {number}", error, {}) for error in exc.errors()]
    return dies


def _dies_from_pattern(pattern: DiePattern, faults: list[str]) -> dict[str, DieSettings]:
    parts = re.split(r"(\{revision\}|\{die\})", pattern.tiles)
    if "{revision}" not in parts or "{die}" not in parts:
        faults.append("configuration: `dies_pattern.tiles` must hold {revision} and {die}.")
        return {}
    reader = re.compile(
        "".join(
            f"(?P<{part[1:-1]}>[^/]+)"
            if part in ("{revision}", "{die}")
            else fnmatch.translate(part)[4:-3].replace(".*", "[^/]*")
            for part in parts
        )
        + "$"
    )
    files = glob.glob(re.sub(r"\{\w+\}", "*", pattern.tiles))
    dies: dict[str, DieSettings] = {}
    for file in sorted(files):
        match = reader.match(file)
        if match is None or match["die"] in dies:
            continue
        tiles = pattern.tiles.replace("{revision}", match["revision"])
        view = ViewSettings(
            tiles=tiles.replace("{die}", match["die"]),
            grid=pattern.grid,
            um_per_px=pattern.um_per_px,
        )
        dies[match["die"]] = DieSettings(revision=match["revision"], views={"top": view})
    if not dies:
        faults.append(
            f"configuration: `dies_pattern.tiles` `{pattern.tiles}` fits no file; check the path."
        )
    return dies
