"""Place the tiles of a view; tiles placed by an earlier run stay where they are."""

from pathlib import Path

from maskdelta.cli import session
from maskdelta.stitch import Anchor, place
from maskdelta.study import StitchSettings
from maskdelta.survey import Survey

with session(snakemake.log[0], snakemake.threads) as threads:
    folder = Path(snakemake.output.poses).parent
    settings = StitchSettings(**snakemake.params.settings)
    survey = Survey.read(Path(snakemake.input.survey).parent)
    anchor = Anchor.read(folder / "anchor.json", settings=settings)
    placement = place(
        snakemake.input.tiles,
        survey,
        settings=settings,
        anchor=anchor.poses,
        earlier_pairs=anchor.pairs,
        threads=threads,
    )
    flat_field = anchor.flat_field or survey.flat_field
    placement.write(folder)
    flat_field.write(snakemake.output.flat_field)
    Anchor(placement.poses, placement.pairs, flat_field).write(
        folder / "anchor.json", settings=settings
    )
    print(*placement.notes, sep="\n")
