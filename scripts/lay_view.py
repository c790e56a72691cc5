"""Lay the photograph of a further view into the frame of its die's main view."""

from pathlib import Path

from maskdelta.cli import session
from maskdelta.register import ErrorMap
from maskdelta.segment import SegmentedView, lay_view
from maskdelta.study import LaidPhotograph, LayerStack, Registration, SegmentSettings

with session(snakemake.log[0], snakemake.threads) as threads:
    files = snakemake.input
    main, view = (Path(path).parent for path in files.layers)
    lay_view(
        SegmentedView(main.name, LayerStack(main)),
        SegmentedView(
            view.name,
            LayerStack(view),
            registration=Registration.read(files.registration),
            error=ErrorMap.read(files.error),
        ),
        mosaics=tuple(files.mosaics),
        coverage=files.coverage,
        laid=LaidPhotograph(Path(snakemake.output.mosaic).parent),
        settings=SegmentSettings(**snakemake.params.settings),
        block_px=snakemake.params.block_px,
        threads=threads,
    )
