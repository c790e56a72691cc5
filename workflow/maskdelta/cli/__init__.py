"""The `maskdelta` command, and what the workflow's rules and scripts need of it."""

from maskdelta.cli._digest import code_digest, marks_digest
from maskdelta.cli._main import main
from maskdelta.cli._session import session

__all__ = ["code_digest", "main", "marks_digest", "session"]
