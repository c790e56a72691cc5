"""The `maskdelta` command."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence

from maskdelta.errors import MaskdeltaError

__all__ = ["main"]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; returns the exit status."""
    parser = _parser()
    options = parser.parse_args(arguments)
    try:
        return int(options.run(options))
    except MaskdeltaError as exc:
        print(exc, file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print("stopped; the next run goes on from here.", file=sys.stderr)
        return 130


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="maskdelta",
        description="Find what changed between two mask revisions of a chip.",
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    check = commands.add_parser(
        "check", help="find every fault of the configuration, marks and tiles before a run"
    )
    check.add_argument("config", nargs="?", default="config/config.yaml", metavar="CONFIG")
    check.add_argument("--decode", action="store_true", help="read all pixels, not only headers")
    check.set_defaults(run=_check)
    run = commands.add_parser("run", help="run the study and print the path of its report")
    run.add_argument("config", nargs="?", default="config/config.yaml", metavar="CONFIG")
    run.add_argument("--cores", type=int, default=0, help="processor cores to use (default: all)")
    run.add_argument(
        "--target",
        default="all",
        help="`surveys` (pages that judge the tiles), `mosaics`, or `all` (default)",
    )
    run.add_argument(
        "--profile", default="", help="folder of a Snakemake profile, e.g. for a cluster"
    )
    run.set_defaults(run=_run)
    suggest = commands.add_parser(
        "suggest", help="propose swatches and landmarks for the dies that have no swatches"
    )
    suggest.add_argument("config", nargs="?", default="config/config.yaml", metavar="CONFIG")
    suggest.add_argument("--cores", type=int, default=0, help="processor cores to use")
    suggest.set_defaults(run=_run, target="suggestions", profile="")
    where = commands.add_parser(
        "where", help="tell where a place lies in every die, which tiles show it and what is there"
    )
    where.add_argument("config", metavar="CONFIG")
    where.add_argument("x", type=float, metavar="X")
    where.add_argument("y", type=float, metavar="Y")
    where.add_argument("--die", default="", help="X and Y are px of this die's mosaic")
    where.add_argument("--tile", default="", help="X and Y are px of this tile of the die")
    where.set_defaults(run=_where)
    propose = commands.add_parser(
        "propose", help="propose rows, columns and marks of an array outlined by a landmark"
    )
    propose.add_argument("die", metavar="DIE", help="a die that has been run")
    propose.add_argument("label", metavar="LANDMARK", help="label of the outline around the array")
    propose.add_argument("config", nargs="?", default="config/config.yaml", metavar="CONFIG")
    propose.add_argument("--layer", default="contact", help="whose dots set the bits")
    propose.set_defaults(run=_propose)
    schema = commands.add_parser(
        "schemas", help="write the JSON Schemas and the reference of keys (for developers)"
    )
    schema.add_argument("folder", nargs="?", default="workflow/schemas")
    schema.add_argument("--reference", default="config/README.md", metavar="MARKDOWN")
    schema.set_defaults(run=_schemas)
    return parser


def _check(options: argparse.Namespace) -> int:
    from maskdelta.cli._check import check_study

    faults, notes = check_study(options.config, decode=options.decode)
    for line in faults:
        print(line, file=sys.stderr)
    for line in notes:
        print(line)
    if faults:
        print(f"{len(faults)} fault(s) found.", file=sys.stderr)
        return 1
    print("No fault found.")
    return 0


def _run(options: argparse.Namespace) -> int:
    from maskdelta.cli._run import run_study

    return run_study(
        options.config, cores=options.cores, target=options.target, profile=options.profile
    )


def _where(options: argparse.Namespace) -> int:
    from maskdelta.cli._where import describe_places

    print(describe_places(options.config, options.x, options.y, die=options.die, tile=options.tile))
    return 0


def _propose(options: argparse.Namespace) -> int:
    from maskdelta.cli._propose import propose_array

    for line in propose_array(options.config, options.die, options.label, layer=options.layer):
        print(line)
    return 0


def _schemas(options: argparse.Namespace) -> int:
    from maskdelta.cli._reference import update_reference
    from maskdelta.cli._schemas import write_schemas

    for path in write_schemas(options.folder):
        print(path)
    update_reference(options.reference)
    print(options.reference)
    return 0
