"""The page templates, autoescaped."""

from __future__ import annotations

import jinja2

__all__ = ["render"]


def render(template: str, **values: object) -> str:
    """Render a template of the package."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("maskdelta.report"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters["number"] = _number
    environment.filters["words"] = lambda v: str(v).replace("_", " ")
    environment.filters["percent"] = lambda v: f"{100 * float(v):.1f} %"
    return environment.get_template(template).render(**values)


def _number(value: object, decimals: int = 0) -> str:
    """A number with thin spaces between thousands; a dash where there is none."""
    if value is None or value == "":
        return "\N{EN DASH}"
    return f"{float(str(value)):,.{decimals}f}".replace(",", "\N{NARROW NO-BREAK SPACE}")
