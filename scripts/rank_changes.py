"""Group what differs into changes and rank them; landmarks and verdicts come in here."""

from pathlib import Path

from maskdelta.cli import session
from maskdelta.difference import NullPair, OtherPair, landmarks_in_study, rank_comparison
from maskdelta.register import ErrorMap
from maskdelta.study import (
    DifferenceSettings,
    Poses,
    Registration,
    Stack,
    ToStudy,
    read_marks,
    read_table,
    read_verdicts,
)

with session(snakemake.log[0], snakemake.threads):
    settings = DifferenceSettings(**snakemake.params.settings)
    folder = Path(snakemake.output.summary).parent
    rank_comparison(
        folder,
        registration=Registration.read(snakemake.input.registration),
        error=ErrorMap.read(snakemake.input.error),
        to_study=ToStudy.read(snakemake.input.link, comparisons="results/comparisons"),
        poses=tuple(Poses.read(path) for path in snakemake.input.poses),
        landmarks=landmarks_in_study(
            read_marks(snakemake.params.marks),
            poses=snakemake.input.marked_poses,
            links=snakemake.input.marked_links,
            comparisons="results/comparisons",
            reach_um=settings.landmark_reach_um,
        ),
        verdicts=[
            v for v in read_verdicts(snakemake.params.verdicts) if v.comparison == folder.name
        ],
        settings=settings,
        membership=snakemake.input.membership,
        stacks={name: Stack(**stack) for name, stack in snakemake.params.stacks.items()},
        other_pairs=[
            OtherPair(
                before,
                after,
                revised,
                folder.parent / f"{before}--{after}",
                ToStudy.read(
                    f"results/dies/{before}/to_study.json", comparisons="results/comparisons"
                ),
            )
            for before, after, revised in snakemake.params.other_pairs
        ],
        null_pairs=[NullPair.read(Path(path).parent) for path in snakemake.input.null_regions],
        changed_bits=[
            (row["x_um"], row["y_um"])
            for path in snakemake.input.arrays
            for row in read_table(path, "arrays")
            if row["state"] == "changed"
        ],
    )
