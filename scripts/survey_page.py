"""A page that shows where tiles are poor or missing, before anything is stitched."""

from pathlib import Path

from maskdelta.cli import session
from maskdelta.report import write_survey_page
from maskdelta.survey import Survey

with session(snakemake.log[0], snakemake.threads) as threads:
    write_survey_page(
        snakemake.output.page,
        Survey.read(Path(snakemake.input.figures).parent),
        snakemake.input.tiles,
        die=snakemake.wildcards.die,
        view=snakemake.wildcards.view,
    )
