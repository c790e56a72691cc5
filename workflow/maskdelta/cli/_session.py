"""How every script of the workflow runs: log file, threads, one sentence for a fault."""

from __future__ import annotations

import sys
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import cv2

from maskdelta.errors import MaskdeltaError

__all__ = ["session"]


@contextmanager
def session(log: str, threads: int) -> Iterator[int]:
    """Run a script's body with its output in the log.

    Snakemake makes the log of a `script:` but does not fill it, and OpenCV ignores the rule's
    `threads:` unless told.

    Parameters
    ----------
    log : str
        Path of the log.
    threads : int

    Yields
    ------
    int
        Threads for the library; OpenCV itself keeps to one, since blocks run in parallel.
    """
    cv2.setNumThreads(1)
    Path(log).parent.mkdir(parents=True, exist_ok=True)
    with open(log, "w", encoding="utf-8", buffering=1) as file:
        sys.stdout = sys.stderr = file
        try:
            yield threads
        except MaskdeltaError as exc:
            print(f"fault: {exc}", file=file)
            raise SystemExit(1) from None
        except Exception as exc:
            traceback.print_exc(file=file)
            print(f"fault: {type(exc).__name__}: {exc} (a defect of maskdelta)", file=file)
            raise SystemExit(1) from None
        finally:
            sys.stdout, sys.stderr = sys.__stdout__, sys.__stderr__
