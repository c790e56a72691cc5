"""The JSON Schemas of the configuration and of the result tables, as files."""

from __future__ import annotations

from pathlib import Path

from maskdelta.study import TABLES, config_schema, write_json

__all__ = ["write_schemas"]


def write_schemas(folder: str | Path) -> list[Path]:
    """Write config.schema.json and a schema for each result table; returns their paths."""
    folder = Path(folder)
    written = [folder / "config.schema.json"]
    write_json(written[0], config_schema())
    for name, table in TABLES.items():
        written.append(folder / f"{name}.schema.json")
        write_json(written[-1], table.schema())
    return written
