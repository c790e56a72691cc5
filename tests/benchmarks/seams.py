"""Seams inside finished pictures: what is found of joints of known offset and brightness.

Pictures of invented dies are cut along known lines, every other part is moved or brightened, and
the lines that `find_seams` lists are held against those. Pictures joined rightly count the false
alarms; real micrographs, if `MASKDELTA_MICROGRAPHS` says where they are, too.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from joined_scenes import clean_picture, found_share, join_wrongly, seams_of
from maskdelta.images import read_picture

OFFSETS = (0.25, 0.5, 1.0, 3.0)
GAINS = (1.01, 1.02, 1.03, 1.05)
ANGLES = (0.0, 0.4, 1.4, -3.0)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--quick", action="store_true", help="one seed, fewer cases")
    parser.add_argument("--cases", nargs="*", help="only these, e.g. clean 'offset 0.5'")
    parser.add_argument("--first-seed", type=int, default=None)
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    rng = np.random.default_rng(options.first_seed)
    count = 1 if options.quick else options.seeds
    seeds = rng.integers(1000, 10**6, count).tolist()
    print("seeds", *seeds, flush=True)
    rows: list[dict[str, Any]] = []
    for number, seed in enumerate(seeds):
        angle = ANGLES[number % len(ANGLES)]
        picture = clean_picture(seed, angle_deg=angle)
        clean_picture.cache_clear()
        height, width = picture.shape[:2]
        cuts = {
            "short": {"xs": (int(width * 0.31), int(width * 0.64)), "ys": (int(height * 0.47),)},
            "long": {"xs": (int(width * 0.36), int(width * 0.7))},
        }
        cases = [("clean", "long", {})]
        for name in cuts:
            cases += [(f"offset {o}", name, {"offset_px": (o, o)}) for o in OFFSETS]
            cases += [(f"gain {g}", name, {"gain": g}) for g in GAINS]
        if options.cases:
            cases = [case for case in cases if case[0] in options.cases]
        for case, cut, options_of in cases[: 4 if options.quick else None]:
            joined, joints = join_wrongly(picture, seed=seed, **cuts[cut], **options_of)
            started = time.process_time()
            with tempfile.TemporaryDirectory() as folder:
                seams = seams_of(joined, Path(folder))
            joints = [] if case == "clean" else joints
            found, false, misses = found_share(seams.rows, joints)
            rows.append(
                {
                    "seed": seed, "angle_deg": angle, "case": case, "cut": cut,
                    "joints": len(joints), "found": found, "false": false,
                    "offset_error_px": misses, "cpu_s": round(time.process_time() - started, 1),
                    "said": seams.figures,
                }
            )  # fmt: skip
            print(json.dumps(rows[-1]), flush=True)
    folder = os.environ.get("MASKDELTA_MICROGRAPHS")
    for path in sorted(Path(folder).glob("*/p*_*.jpg")) if folder and not options.quick else []:
        with tempfile.TemporaryDirectory() as scrap:
            seams = seams_of(read_picture(path), Path(scrap))
        rows.append({"case": "micrograph", "cut": path.name, "false": len(seams.rows)})
        print(json.dumps(rows[-1]), flush=True)
    for case, cut in sorted({(r["case"], r["cut"]) for r in rows if "joints" in r}):
        mine = [r for r in rows if (r["case"], r["cut"]) == (case, cut)]
        joints = sum(r["joints"] for r in mine)
        misses = [m for r in mine for m in r["offset_error_px"]]
        print(
            f"{case:12s} {cut:6s} found {sum(r['found'] for r in mine)} of {joints}, "
            f"false {sum(r['false'] for r in mine)} in {len(mine)} pictures"
            + (
                f", offset off by {np.sqrt(np.mean(np.square(misses))):.3f} px RMS"
                if misses
                else ""
            )
        )
    if options.out:
        options.out.write_text(json.dumps(rows, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
