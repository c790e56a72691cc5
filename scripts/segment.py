"""Tell the layers of a die apart."""

from pathlib import Path

from maskdelta.cli import session
from maskdelta.images import Raster
from maskdelta.segment import ignored_areas, segment, swatches_of
from maskdelta.study import Poses, SegmentSettings, Stack, read_marks

with session(snakemake.log[0], snakemake.threads) as threads:
    die, view = snakemake.wildcards.die, snakemake.params.view
    marks = read_marks(snakemake.params.marks)
    poses = Poses.read(snakemake.input.poses)
    with (
        Raster.open(snakemake.input.mosaic) as mosaic,
        Raster.open(snakemake.input.coverage) as coverage,
    ):
        segment(
            mosaic,
            coverage,
            swatches_of(marks, die, poses, view=view),
            ignored=ignored_areas(marks, die, poses, view=view),
            blurred=poses.blurred(snakemake.params.blur_limit),
            folder=Path(snakemake.output.figures).parent,
            die=die,
            layers=snakemake.params.layers,
            stacks={k: Stack(**v) for k, v in snakemake.params.stacks.items()},
            settings=SegmentSettings(**snakemake.params.settings),
            block_px=snakemake.params.block_px,
            threads=threads,
        )
