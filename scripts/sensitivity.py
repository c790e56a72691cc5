"""Plant changes into the pictures of two dies and see which are found."""

from pathlib import Path

from maskdelta.cli import session
from maskdelta.difference import DiePair, measure_sensitivity
from maskdelta.overlay import Overlay
from maskdelta.register import ErrorMap
from maskdelta.segment import Labeller
from maskdelta.study import (
    DifferenceSettings,
    LayerStack,
    Registration,
    SegmentSettings,
    Stack,
    ToStudy,
    read_table,
)

with session(snakemake.log[0], snakemake.threads) as threads:
    link = ToStudy.read(snakemake.input.link, comparisons="results/comparisons")
    stacks = {name: Stack(**stack) for name, stack in snakemake.params.stacks.items()}
    paths = (snakemake.input.layers_before, snakemake.input.layers_after)
    before, after = (
        Labeller.read(
            path,
            layers=snakemake.params.all_layers,
            stacks=stacks,
            settings=SegmentSettings(**snakemake.params.segment),
        )
        for path in paths
    )
    pair = DiePair(
        *(LayerStack(Path(path).parent) for path in paths),
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
    measure_sensitivity(
        pair,
        Path(snakemake.output.table).parent,
        labellers=(before, after),
        stacks=stacks,
        threads=threads,
    )
