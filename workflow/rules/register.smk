rule register:
    input:
        mosaics=both_mosaics,
        coverages=both_coverages,
        poses=both_poses,
    output:
        registration="results/comparisons/{before}--{after}/registration.json",
        residuals="results/comparisons/{before}--{after}/residuals.csv",
        error="results/comparisons/{before}--{after}/registration_error.tif",
    log:
        "results/logs/{before}--{after}/register.log",
    benchmark:
        "results/logs/{before}--{after}/register.tsv"
    threads: 2
    resources:
        mem_mb=2000,
    params:
        names=lambda wildcards: (wildcards.before, wildcards.after),
        views=lambda wildcards: (
            STUDY.main_view(wildcards.before),
            STUDY.main_view(wildcards.after),
        ),
        settings=lookup(within=config, dpath="register"),
        marks=lookup(within=config, dpath="marks"),
        marked=digest_of_pairs_and_cracks,
        code=code_digest("register", "images", "study"),
    message:
        "Registering {wildcards.after} to {wildcards.before}"
    script:
        "../../scripts/register.py"


use rule register as register_view with:
    input:
        mosaics=of_main_and_further_view("mosaic.ome.tif"),
        coverages=of_main_and_further_view("mosaic_tiles.tif"),
        poses=of_main_and_further_view("tiles.csv"),
    output:
        registration="results/dies/{die}/{view}/registration.json",
        residuals="results/dies/{die}/{view}/residuals.csv",
        error="results/dies/{die}/{view}/registration_error.tif",
    log:
        "results/logs/{die}/{view}/register.log",
    benchmark:
        "results/logs/{die}/{view}/register.tsv"
    params:
        names=lambda wildcards: (wildcards.die, wildcards.die),
        views=lambda wildcards: (STUDY.main_view(wildcards.die), wildcards.view),
        settings=lookup(within=config, dpath="register"),
        marks=lookup(within=config, dpath="marks"),
        marked=digest_of_view_pairs,
        code=code_digest("register", "images", "study"),
    message:
        "Registering the view {wildcards.view} of {wildcards.die} to its main view"


rule to_study:
    input:
        mosaic=mosaic,
        reference=mosaic_of(STUDY.reference),
        registrations=registrations_to_reference,
    output:
        link="results/dies/{die}/to_study.json",
    log:
        "results/logs/{die}/to_study.log",
    threads: 1
    params:
        reference=STUDY.reference,
        code=code_digest("study"),
    message:
        "Study frame of {wildcards.die}"
    script:
        "../../scripts/to_study.py"
