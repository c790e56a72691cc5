"""Link a die to the study frame."""

from maskdelta.cli import session
from maskdelta.images import Raster
from maskdelta.study import Registration, link_to_study

with session(snakemake.log[0], snakemake.threads):
    with Raster.open(snakemake.input.mosaic) as own, Raster.open(snakemake.input.reference) as ref:
        link = link_to_study(
            snakemake.wildcards.die,
            snakemake.params.reference,
            [Registration.read(path) for path in snakemake.input.registrations],
            own_um_per_px=own.um_per_px,
            reference_um_per_px=ref.um_per_px,
            middle_px=own.box.middle,
        )
    link.write(snakemake.output.link)
