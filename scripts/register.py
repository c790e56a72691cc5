"""Lay the mosaic of the die after over that of the die before, or one view over another."""

from pathlib import Path

from maskdelta.cli import session
from maskdelta.images import Raster
from maskdelta.register import Side, crack_lines, point_pairs, register
from maskdelta.study import Poses, RegisterSettings, read_marks

with session(snakemake.log[0], snakemake.threads) as threads:
    sides = [
        Side(Raster.open(mosaic), Raster.open(coverage))
        for mosaic, coverage in zip(snakemake.input.mosaics, snakemake.input.coverages, strict=True)
    ]
    names, views = tuple(snakemake.params.names), tuple(snakemake.params.views)
    marks = read_marks(snakemake.params.marks)
    poses = [Poses.read(path) for path in snakemake.input.poses]
    registered = register(
        *sides,
        names=names,
        settings=RegisterSettings(**snakemake.params.settings),
        point_pairs=point_pairs(marks, names, poses, views=views),
        cracks=crack_lines(marks, names, poses, views=views),
        threads=threads,
    )
    registered.write(Path(snakemake.output.registration).parent)
    print(*registered.registration.refused, sep="\n")
