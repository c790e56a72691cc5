"""Find what differs between two dies, layer by layer."""

from pathlib import Path

from maskdelta.cli import session
from maskdelta.difference import DiePair, compare_dies
from maskdelta.overlay import Overlay
from maskdelta.register import ErrorMap
from maskdelta.study import DifferenceSettings, LayerStack, Registration, ToStudy, read_table

with session(snakemake.log[0], snakemake.threads) as threads:
    link = ToStudy.read(snakemake.input.link, comparisons="results/comparisons")
    pair = DiePair(
        LayerStack(Path(snakemake.input.layers_before).parent),
        LayerStack(Path(snakemake.input.layers_after).parent),
        mosaics=snakemake.input.mosaics,
        coverages=snakemake.input.coverages,
        registration=Registration.read(snakemake.input.registration),
        error=ErrorMap.read(snakemake.input.error),
        overlay=Overlay.read(snakemake.input.overlay),
        um_per_px=link.um_per_mosaic_px(),
        layers=snakemake.params.layers,
        settings=DifferenceSettings(**snakemake.params.settings),
        seams=tuple(
            [row for path in paths for row in read_table(path, "seams")]
            for paths in (snakemake.input.seams_before, snakemake.input.seams_after)
        ),
    )
    compare_dies(
        pair,
        Path(snakemake.output.regions).parent,
        block_px=snakemake.params.block_px,
        threads=threads,
    )
