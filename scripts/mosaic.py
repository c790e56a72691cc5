"""Make the mosaic of a view from its tiles and poses."""

from maskdelta.cli import session
from maskdelta.stitch import compose, lead_seams
from maskdelta.study import Poses, read_marks, scale_of_view, write_json
from maskdelta.survey import FlatField, SmallPictures

with session(snakemake.log[0], snakemake.threads) as threads:
    poses = Poses.read(snakemake.input.poses)
    scale = scale_of_view(
        snakemake.params.view["um_per_px"],
        read_marks(snakemake.params.marks),
        snakemake.wildcards.die,
        snakemake.wildcards.view,
        poses,
    )
    write_json(snakemake.output.scale, vars(scale))
    flat_field = FlatField.read(snakemake.input.flat_field)
    seams = lead_seams(poses, flat_field, SmallPictures.read(snakemake.input.small))
    seams.write(snakemake.output.seams, poses)
    compose(
        snakemake.input.tiles,
        poses,
        flat_field,
        mosaic_path=snakemake.output.mosaic,
        tiles_path=snakemake.output.coverage,
        um_per_px=scale.um_per_px,
        seams=seams,
        blur_limit=snakemake.params.blur_limit,
        block_px=snakemake.params.block_px,
        threads=threads,
    )
