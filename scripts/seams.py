"""Look for seams that an earlier joining left inside a finished picture."""

from pathlib import Path

from maskdelta.cli import session
from maskdelta.images import Raster
from maskdelta.seams import find_seams

with session(snakemake.log[0], snakemake.threads) as threads:
    with (
        Raster.open(snakemake.input.mosaic) as mosaic,
        Raster.open(snakemake.input.coverage) as coverage,
    ):
        seams = find_seams(mosaic, coverage, threads=threads)
    seams.write(Path(snakemake.output.table).parent)
    print(f"{len(seams.rows)} seam(s)")
