"""Write down what is needed to repeat the study."""

from maskdelta.cli import session
from maskdelta.report import write_provenance

with session(snakemake.log[0], snakemake.threads):
    write_provenance(snakemake.output[0], "results", snakemake.params.study)
