"""maskdelta: from tiles of two mask revisions to a ranked list of what changed."""

from snakemake.utils import min_version

min_version("9.5")

if not config:

    configfile: "config/config.yaml"


include: "workflow/rules/common.smk"
include: "workflow/rules/survey.smk"
include: "workflow/rules/stitch.smk"
include: "workflow/rules/seams.smk"
include: "workflow/rules/register.smk"
include: "workflow/rules/segment.smk"
include: "workflow/rules/suggest.smk"
include: "workflow/rules/overlay.smk"
include: "workflow/rules/difference.smk"
include: "workflow/rules/arrays.smk"
include: "workflow/rules/report.smk"


rule all:
    default_target: True
    input:
        "results/report/index.html",
        "results/provenance.json",


rule surveys:
    input:
        all_surveys(),


rule mosaics:
    input:
        all_mosaics(),


rule suggestions:
    input:
        all_suggestions(),
