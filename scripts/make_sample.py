"""Make the sample study: tiles of two invented dies, their truth, and the marks of a person.

    python scripts/make_sample.py --out sample_images --truth tests/truth/sample --config config

The same seed gives the same bytes.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from maskdelta.phantom import load_preset, make_study

LICENCE = """# Licence of these pictures

The pictures in this folder were computed, not taken: they show two revisions of an invented
doorbell chip, drawn and photographed by `maskdelta.phantom` (`scripts/make_sample.py`). No real
chip is shown or copied.

They are dedicated to the public domain under Creative Commons CC0 1.0 Universal
(https://creativecommons.org/publicdomain/zero/1.0/): do with them what you like.
"""


def main() -> None:
    """Parse the command line and make the study."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=7, help="seed everything grows from")
    parser.add_argument("--out", type=Path, default=Path("sample_images"), help="tiles")
    parser.add_argument("--truth", type=Path, default=Path("tests/truth/sample"), help="truth")
    parser.add_argument("--config", type=Path, default=Path("config"), help="marks go to marks/")
    parser.add_argument("--null", action="store_true", help="same masks twice, no edits")
    args = parser.parse_args()
    study = make_study(
        args.seed,
        preset=load_preset("sample"),
        folder=args.out,
        truth_folder=args.truth,
        marks_folder=args.config / "marks",
        null=args.null,
    )
    (args.out / "LICENCE.md").write_text(LICENCE, encoding="utf-8")
    for edit in study.edits:
        print(f"{edit.number:2d} {edit.kind:20s} {edit.box_um} {edit.meaning}")


if __name__ == "__main__":
    main()
