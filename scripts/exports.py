"""Write the changes of a comparison as GDSII and SVG."""

from pathlib import Path

from maskdelta.cli import session
from maskdelta.difference import write_exports
from maskdelta.study import ToStudy

with session(snakemake.log[0], snakemake.threads):
    write_exports(
        Path(snakemake.output.gds).parent,
        layers=snakemake.params.layers,
        to_study=ToStudy.read(snakemake.input.link, comparisons="results/comparisons"),
    )
