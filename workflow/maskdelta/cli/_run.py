"""Run the workflow with progress a person can read."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from collections.abc import Iterable
from pathlib import Path

from maskdelta.cli._check import check_study
from maskdelta.errors import ConfigurationError, MaskdeltaError

__all__ = ["run_study"]

_PAGES = {"all": "results/report/index.html", "surveys": "", "mosaics": "", "suggestions": ""}
_WRITTEN = {
    "surveys": "dies/*/*/survey/index.html",
    "mosaics": "dies/*/*/mosaic.ome.tif",
    "suggestions": "suggestions/*/*.*",
}


def run_study(config: str, *, cores: int = 0, target: str = "all", profile: str = "") -> int:
    """Check a study, run its workflow in the current folder and print where the results are.

    Parameters
    ----------
    config : str
        Path of the configuration.
    cores : int
        0 means all there are.
    target : str
        all, surveys, mosaics or suggestions.
    profile : str
        Folder of a Snakemake profile; empty for the one for this machine.

    Returns
    -------
    int
        0 when all went well, else 1.

    Raises
    ------
    MaskdeltaError
        For faults found before the run.
    """
    if target not in _PAGES:
        raise MaskdeltaError(f"--target {target}: choose one of {', '.join(_PAGES)}.")
    snakefile = _snakefile()
    faults, _ = check_study(config)
    if faults:
        raise ConfigurationError([*faults, f"{len(faults)} fault(s) found; nothing was run."])
    cores = cores or os.cpu_count() or 1
    command = [
        sys.executable,
        "-m",
        "snakemake",
        *("--snakefile", str(snakefile)),
        *("--configfile", config),
        *("--workflow-profile", profile or str(snakefile.parent / "workflow/profiles/default")),
        *("--cores", str(cores)),
        *("--directory", "."),
        "--nolock",
        "--nocolor",
        target,
    ]
    started = time.monotonic()
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, errors="replace"
    ) as process:
        assert process.stdout is not None
        tail = _show(process.stdout, started)
        status = process.wait()
    if status:
        _explain(tail)
        return 1
    _finish(target, time.monotonic() - started)
    return 0


def _snakefile() -> Path:
    path = Path(__file__).resolve().parents[3] / "Snakefile"
    if not path.is_file():
        raise MaskdeltaError(
            "the Snakefile is not beside the library; install maskdelta from its source folder "
            "with `pip install -e .`."
        )
    return path


def _show(lines: Iterable[str], started: float) -> list[str]:
    """Print a line a job begun; returns all of Snakemake's lines for a failure's explanation."""
    kept: list[str] = []
    total = done = 0
    for raw in lines:
        line = raw.rstrip()
        kept.append(line)
        count = re.match(r"^total\s+(\d+)$", line)
        steps = re.match(r"^(\d+) of (\d+) steps", line)
        job = re.match(r"^Job \d+: (.*)$", line)
        if count:
            total = int(count[1])
        elif steps:
            done, total = int(steps[1]), int(steps[2])
        elif job:
            elapsed = time.monotonic() - started
            print(f"{elapsed:6.1f} s  [{done}/{total} done]  {job[1]}", flush=True)
    return kept[-400:]


def _explain(lines: list[str]) -> None:
    """Print the sentence of each failed job's log, or Snakemake's own words."""
    logs = sorted({m[1] for line in lines if (m := re.match(r"^\s+log: (\S+)", line))})
    sentences = []
    for log in logs:
        try:
            text = Path(log).read_text(encoding="utf-8")
        except OSError:
            continue
        sentences += [
            f"{line[7:]}  (log: {log})" for line in text.splitlines() if line[:7] == "fault: "
        ]
    if not sentences:
        sentences = [line for line in lines if line.strip()][-15:]
    print("\n".join(["", "The run stopped:", *sentences]), file=sys.stderr)


def _finish(target: str, seconds: float) -> None:
    print(f"Done in {seconds:.0f} s.")
    if _PAGES[target]:
        print(f"Report: {Path(_PAGES[target]).resolve()}")
        return
    for path in sorted(Path("results").glob(_WRITTEN[target])):
        print(path.resolve())
