"""Make the layers of a die from those of its views."""

from pathlib import Path

from maskdelta.cli import session
from maskdelta.register import ErrorMap
from maskdelta.segment import SegmentedView, merge_views
from maskdelta.study import LayerStack, Registration, SegmentSettings


def view_at(path: str, *laid: object) -> SegmentedView:
    """The view in whose folder a file lies."""
    folder = Path(path).parent
    stripped = snakemake.params.stripped[folder.name]
    return SegmentedView(folder.name, LayerStack(folder), stripped, *laid)


with session(snakemake.log[0], snakemake.threads) as threads:
    files = snakemake.input
    figures = merge_views(
        snakemake.wildcards.die,
        view_at(files.main),
        [
            view_at(path, Registration.read(registration), ErrorMap.read(error))
            for path, registration, error in zip(
                files.further, files.registrations, files.errors, strict=True
            )
        ],
        Path(snakemake.output.figures).parent,
        settings=SegmentSettings(**snakemake.params.settings),
        block_px=snakemake.params.block_px,
        threads=threads,
    )
    print(*[view["why"] for view in figures["merged"]["views"] if view["why"]], sep="\n")
