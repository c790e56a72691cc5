"""Find, group and rank what changed between two dies."""

from pathlib import Path

from maskdelta.cli import session
from maskdelta.difference import compare_dies, landmarks_in_study
from maskdelta.overlay import Overlay
from maskdelta.register import ErrorMap
from maskdelta.study import DifferenceSettings, LayerStack, Poses, Registration, ToStudy, read_marks

with session(snakemake.log[0], snakemake.threads) as threads:
    settings = DifferenceSettings(**snakemake.params.settings)
    compare_dies(
        LayerStack(Path(snakemake.input.layers_before).parent),
        LayerStack(Path(snakemake.input.layers_after).parent),
        mosaics=snakemake.input.mosaics,
        coverages=snakemake.input.coverages,
        registration=Registration.read(snakemake.input.registration),
        error=ErrorMap.read(snakemake.input.error),
        overlay=Overlay.read(snakemake.input.overlay),
        to_study=ToStudy.read(snakemake.input.link, comparisons="results/comparisons"),
        poses=tuple(Poses.read(path) for path in snakemake.input.poses),
        landmarks=landmarks_in_study(
            read_marks(snakemake.params.marks),
            poses=snakemake.input.marked_poses,
            links=snakemake.input.marked_links,
            comparisons="results/comparisons",
            reach_um=settings.landmark_reach_um,
        ),
        layers=snakemake.params.layers,
        folder=Path(snakemake.output.summary).parent,
        settings=settings,
        block_px=snakemake.params.block_px,
        threads=threads,
    )
