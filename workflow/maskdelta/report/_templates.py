"""The page templates: autoescaped, strict about what is missing."""

from __future__ import annotations

import functools
from pathlib import Path

import jinja2

from maskdelta.report import _words

__all__ = ["write_page"]


@functools.cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("maskdelta.report"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters.update(
        area=_words.area,
        balance=_words.balance,
        direction=_words.direction,
        number=_words.number,
        odds=_words.odds,
        percent=_words.percent,
        plain=_words.plain_name,
        listing=_words.listing,
        significant=_words.significant,
    )
    environment.globals["plural"] = _words.plural
    return environment


def write_page(path: Path, template: str, **values: object) -> None:
    """Render a template into a file; folders are made as needed."""
    path.parent.mkdir(parents=True, exist_ok=True)
    text = _environment().get_template(template).render(**values)
    path.write_text(text + "\n", encoding="utf-8", newline="\n")
