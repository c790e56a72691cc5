"""See whether overlapping tiles are taken for the same away from edges."""

from maskdelta.cli import session
from maskdelta.images import Raster
from maskdelta.segment import Labeller, tile_agreement
from maskdelta.study import Poses, SegmentSettings, Stack
from maskdelta.survey import FlatField

with session(snakemake.log[0], snakemake.threads) as threads:
    files, params = snakemake.input, snakemake.params
    poses = Poses.read(files.poses)
    labeller = Labeller.read(
        files.figures,
        layers=params.layers,
        stacks={name: Stack(**stack) for name, stack in params.stacks.items()},
        settings=SegmentSettings(**params.settings),
    )
    with Raster.open(files.labels) as labels:
        agreement = tile_agreement(
            files.tiles,
            poses,
            FlatField.read(files.flat_field),
            labeller,
            labels,
            blurred=poses.blurred(params.blur_limit),
            threads=threads,
        )
    agreement.write(snakemake.output.agreement)
