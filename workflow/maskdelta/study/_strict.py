"""What all models of the configuration share."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

__all__ = ["Name", "Strict"]

Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.]*$", max_length=64)]
"""A name that becomes part of a path: letters, digits, `_` and `.`; no hyphen, no slash."""


class Strict(BaseModel):
    """Unknown keys are refused; values are never changed in place."""

    model_config = ConfigDict(extra="forbid", frozen=True)
