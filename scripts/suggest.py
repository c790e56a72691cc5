"""Propose swatches of a die, with names from the dies it is compared with, and landmarks."""

from contextlib import ExitStack
from pathlib import Path

from maskdelta.cli import session
from maskdelta.images import Raster
from maskdelta.landmarks import propose_landmarks, write_landmarks
from maskdelta.report import write_suggestion_page
from maskdelta.segment import named_dies, suggest_swatches, write_suggestions

with session(snakemake.log[0], snakemake.threads), ExitStack() as stack:
    die = snakemake.wildcards.die
    mosaic = stack.enter_context(Raster.open(snakemake.input.mosaic))
    coverage = stack.enter_context(Raster.open(snakemake.input.coverage))
    named = named_dies(
        die,
        [Path(path).parent for path in snakemake.input.figures],
        snakemake.input.coverages,
        snakemake.input.registrations,
        stack,
    )
    clusters = suggest_swatches(mosaic, coverage, die=die, named=named)
    write_suggestions(snakemake.output.marks, clusters.found, die=die, view=snakemake.params.view)
    landmarks = propose_landmarks(mosaic, coverage, um_per_px=mosaic.um_per_px)
    write_landmarks(snakemake.output.landmarks, landmarks, die=die, view=snakemake.params.view)
    write_suggestion_page(
        snakemake.output.page,
        clusters,
        landmarks,
        mosaic,
        die=die,
        marks=Path(snakemake.output.marks).name,
        landmark_marks=Path(snakemake.output.landmarks).name,
    )
