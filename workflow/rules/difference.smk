rule difference:
    input:
        registration="results/comparisons/{before}--{after}/registration.json",
        error="results/comparisons/{before}--{after}/registration_error.tif",
        overlay="results/comparisons/{before}--{after}/overlay.json",
        layers_before="results/dies/{before}/layers.json",
        layers_after="results/dies/{after}/layers.json",
        mosaics=both_mosaics,
        coverages=both_coverages,
        laid=both_laid_views,
        seams_before=seams_before,
        seams_after=seams_after,
        link="results/dies/{before}/to_study.json",
        registrations=all_registrations,
    output:
        masks=expand(
            "results/comparisons/{{before}}--{{after}}/differences/{layer}.tif",
            layer=LAYERS,
        ),
        regions="results/comparisons/{before}--{after}/regions.csv",
    log:
        "results/logs/{before}--{after}/difference.log",
    benchmark:
        "results/logs/{before}--{after}/difference.tsv"
    threads: 2
    resources:
        mem_mb=2000,
    params:
        settings=lookup(within=config, dpath="difference"),
        block_px=lookup(within=config, dpath="block_px"),
        layers=LAYERS,
        code=code_digest(
            "difference", "overlay", "register", "segment", "images", "study"
        ),
    message:
        "Differences between {wildcards.before} and {wildcards.after}"
    script:
        "../../scripts/difference.py"


# Changes planted into the pictures go through the steps of segmentation and comparison.
rule sensitivity:
    input:
        registration=rules.difference.input.registration,
        error=rules.difference.input.error,
        overlay=rules.difference.input.overlay,
        layers_before=rules.difference.input.layers_before,
        layers_after=rules.difference.input.layers_after,
        mosaics=both_mosaics,
        coverages=both_coverages,
        seams_before=seams_before,
        seams_after=seams_after,
        masks=rules.difference.output.masks,
        link=rules.difference.input.link,
        registrations=all_registrations,
    output:
        table="results/comparisons/{before}--{after}/sensitivity.csv",
        map="results/comparisons/{before}--{after}/sensitivity.tif",
        planted="results/comparisons/{before}--{after}/planted.csv",
    log:
        "results/logs/{before}--{after}/sensitivity.log",
    benchmark:
        "results/logs/{before}--{after}/sensitivity.tsv"
    threads: 2
    resources:
        mem_mb=1500,
    params:
        settings=lookup(within=config, dpath="difference"),
        segment=lookup(within=config, dpath="segment"),
        stacks=lookup(within=config, dpath="stacks"),
        all_layers=lookup(within=config, dpath="layers"),
        layers=LAYERS,
        code=code_digest(
            "difference", "overlay", "register", "segment", "images", "study"
        ),
    message:
        "Changes planted between {wildcards.before} and {wildcards.after}"
    script:
        "../../scripts/sensitivity.py"


# A job of its own: a landmark or a verdict edited must not compare the dies again.
rule rank_changes:
    input:
        registration="results/comparisons/{before}--{after}/registration.json",
        error="results/comparisons/{before}--{after}/registration_error.tif",
        masks=rules.difference.output.masks,
        regions=rules.difference.output.regions,
        sensitivity=rules.sensitivity.output.table,
        sensitivity_map=rules.sensitivity.output.map,
        membership="results/dies/{before}/layers.ome.tif",
        arrays=(["results/comparisons/{before}--{after}/arrays.csv"] if ARRAYS else []),
        null_regions=of_null_pairs("regions.csv"),
        null_sensitivity=of_null_pairs("sensitivity.csv"),
        other_masks=masks_of_other_pairs,
        other_links=links_of_other_pairs,
        other_registrations=registrations_of_other_pairs,
        poses=both_poses,
        link="results/dies/{before}/to_study.json",
        registrations=all_registrations,
        marked_poses=poses_of_marks("landmark"),
        marked_links=links_of(dies_of_marks("landmark")),
    output:
        changes="results/comparisons/{before}--{after}/changes.csv",
        polygons="results/comparisons/{before}--{after}/changes.geojson",
        landmarks="results/comparisons/{before}--{after}/landmarks.csv",
        null="results/comparisons/{before}--{after}/null.csv",
        summary="results/comparisons/{before}--{after}/summary.json",
    log:
        "results/logs/{before}--{after}/rank_changes.log",
    benchmark:
        "results/logs/{before}--{after}/rank_changes.tsv"
    threads: 1
    resources:
        mem_mb=1000,
    params:
        settings=lookup(within=config, dpath="difference"),
        stacks=lookup(within=config, dpath="stacks"),
        marks=lookup(within=config, dpath="marks"),
        marked=marks_digest(MARKS, "landmark"),
        verdicts=lookup(within=config, dpath="verdicts"),
        judged=digest_of_verdicts,
        other_pairs=other_pairs,
        code=code_digest("difference", "register", "images", "study"),
    message:
        "Changes from {wildcards.before} to {wildcards.after}, ranked"
    script:
        "../../scripts/rank_changes.py"


rule exports:
    input:
        changes=rules.rank_changes.output.polygons,
        masks=rules.difference.output.masks,
        link=rules.difference.input.link,
        registrations=all_registrations,
    output:
        gds="results/comparisons/{before}--{after}/changes.gds",
        svg="results/comparisons/{before}--{after}/changes.svg",
    log:
        "results/logs/{before}--{after}/exports.log",
    threads: 1
    resources:
        mem_mb=500,
    params:
        layers=LAYERS,
        code=code_digest("difference", "images", "study"),
    message:
        "Changes from {wildcards.before} to {wildcards.after} as GDSII and SVG"
    script:
        "../../scripts/exports.py"
