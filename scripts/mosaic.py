"""Make the mosaic of a view from its tiles and poses."""

from maskdelta.cli import session
from maskdelta.stitch import compose
from maskdelta.study import Poses
from maskdelta.survey import FlatField

with session(snakemake.log[0], snakemake.threads) as threads:
    compose(
        snakemake.input.tiles,
        Poses.read(snakemake.input.poses),
        FlatField.read(snakemake.input.flat_field),
        mosaic_path=snakemake.output.mosaic,
        tiles_path=snakemake.output.coverage,
        um_per_px=snakemake.params.view["um_per_px"],
        blur_limit=snakemake.params.blur_limit,
        block_px=snakemake.params.block_px,
        threads=threads,
    )
