"""Judge the tiles of a view."""

from pathlib import Path

from maskdelta.cli import session
from maskdelta.study import SurveySettings, ViewSettings
from maskdelta.survey import survey

with session(snakemake.log[0], snakemake.threads) as threads:
    found = survey(
        snakemake.input.tiles,
        view=ViewSettings(**snakemake.params.view),
        settings=SurveySettings(**snakemake.params.settings),
        threads=threads,
    )
    found.write(Path(snakemake.output.figures).parent)
