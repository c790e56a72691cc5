"""Measure shift and line width of each layer of two dies."""

from pathlib import Path

from maskdelta.cli import session
from maskdelta.overlay import Overlay, measure_overlay
from maskdelta.study import LayerStack, OverlaySettings, Registration

with session(snakemake.log[0], snakemake.threads) as threads:
    registration = Registration.read(snakemake.input.registration)
    if registration.trusted:
        overlay = measure_overlay(
            LayerStack(Path(snakemake.input.layers_before).parent),
            LayerStack(Path(snakemake.input.layers_after).parent),
            registration,
            settings=OverlaySettings(**snakemake.params.settings),
            threads=threads,
        )
    else:
        overlay = Overlay({}, None)
    overlay.write(snakemake.output.overlay)
