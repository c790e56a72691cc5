"""The reference of all configuration keys, made from the models."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from maskdelta.study import config_schema

__all__ = ["config_reference", "update_reference"]

_BEGIN, _END = "<!-- keys: begin -->", "<!-- keys: end -->"
_SECTIONS = (
    ("The file", "StudySettings"),
    ("die", "DieSettings"),
    ("view (or a die with one view)", "ViewSettings"),
    ("grid", "Grid"),
    ("die pattern", "DiePattern"),
    ("comparison", "Comparison"),
    ("stack", "Stack"),
    ("survey", "SurveySettings"),
    ("stitch", "StitchSettings"),
    ("register", "RegisterSettings"),
    ("segment", "SegmentSettings"),
    ("overlay", "OverlaySettings"),
    ("difference", "DifferenceSettings"),
    ("array", "ArraySettings"),
    ("array rows or columns", "ArrayAxis"),
    ("array bit", "ArrayBit"),
    ("array words", "ArrayWords"),
    ("array terms", "ArrayTerms"),
    ("report", "ReportSettings"),
)


def config_reference() -> str:
    """Markdown: a table of keys for every section of the configuration."""
    schema = config_schema()
    parts = []
    for title, model in _SECTIONS:
        section = schema if model == "StudySettings" else schema["$defs"][model]
        rows = [
            f"### {title}",
            "",
            "| key | type | default | what it means |",
            "| --- | --- | --- | --- |",
        ]
        for key, entry in section["properties"].items():
            needed = key in section.get("required", ())
            rows.append(
                f"| `{key}` | {_kind(entry)} | {_default(entry, needed)} | {entry['description']} |"
            )
        parts.append("\n".join(rows))
    return "\n\n".join(parts)


def _kind(entry: dict[str, Any]) -> str:
    """Type and bounds in words."""
    if "enum" in entry:
        return " or ".join(f"`{value}`" for value in entry["enum"])
    if "anyOf" in entry:
        return " or ".join(_kind(e) for e in entry["anyOf"] if e.get("type") != "null")
    if "$ref" in entry:
        return entry["$ref"].rsplit("/", 1)[1].removesuffix("Settings").lower()
    kind = {"object": "mapping", "array": "list", "string": "text"}.get(
        entry.get("type", ""), entry.get("type", "")
    )
    bounds = [
        f"{sign} {entry[word]}"
        for word, sign in (
            ("minimum", ">="),
            ("exclusiveMinimum", ">"),
            ("maximum", "<="),
            ("exclusiveMaximum", "<"),
            ("multipleOf", "a multiple of"),
        )
        if word in entry
    ]
    return " ".join([kind, ", ".join(bounds)]).strip()


def _default(entry: dict[str, Any], needed: bool) -> str:
    if needed:
        return "must be given"
    value = entry.get("default")
    if value in (None, "", [], {}) or isinstance(value, dict):
        return ""
    if isinstance(value, list):
        return ", ".join(f"`{v}`" for v in value)
    return f"`{str(value).lower()}`" if isinstance(value, bool) else f"`{value}`"


def update_reference(path: str | Path) -> None:
    """Replace the part of a Markdown file between the two markers by the reference."""
    path = Path(path)
    text = path.read_text(encoding="utf-8")
    part = f"{_BEGIN}\n\n{config_reference()}\n\n{_END}"
    pattern = re.escape(_BEGIN) + ".*" + re.escape(_END)
    path.write_text(re.sub(pattern, lambda _: part, text, flags=re.S), encoding="utf-8")
