"""Write the report's pages."""

from pathlib import Path

from maskdelta.cli import session
from maskdelta.report import write_report
from maskdelta.study import StudySettings

with session(snakemake.log[0], snakemake.threads) as threads:
    write_report(
        Path("results"),
        StudySettings.model_validate(snakemake.params.study),
        threads=threads,
    )
