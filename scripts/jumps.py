"""Look for straight lines along which the registration of two dies jumps."""

from maskdelta.cli import session
from maskdelta.seams import find_jumps
from maskdelta.study import Registration, ToStudy, read_table, write_table

with session(snakemake.log[0], snakemake.threads):
    link = ToStudy.read(snakemake.input.link, comparisons="results/comparisons")
    rows = find_jumps(
        read_table(snakemake.input.residuals, "residuals"),
        Registration.read(snakemake.input.registration),
        um_per_px=link.um_per_mosaic_px(),
    )
    write_table(snakemake.output.table, "jumps", rows)
    print(f"{len(rows)} jump(s)")
