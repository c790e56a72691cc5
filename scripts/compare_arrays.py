"""Compare the programmed arrays of two dies."""

from pathlib import Path

from maskdelta.arrays import compare_arrays
from maskdelta.cli import session
from maskdelta.study import ArraySettings, BitMatrix, ToStudy

with session(snakemake.log[0], snakemake.threads):
    arrays = {name: ArraySettings(**s) for name, s in snakemake.params.arrays.items()}
    before, after = (
        {name: BitMatrix.read_file(path) for name, path in zip(arrays, paths, strict=True)}
        for paths in (snakemake.input.before, snakemake.input.after)
    )
    compare_arrays(
        before,
        after,
        arrays,
        ToStudy.read(snakemake.input.link, comparisons="results/comparisons"),
        folder=Path(snakemake.output.table).parent,
    )
