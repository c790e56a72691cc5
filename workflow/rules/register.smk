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
        settings=lookup(within=config, dpath="register"),
        marks=lookup(within=config, dpath="marks"),
        marked=digest_of_pairs_and_cracks,
        code=code_digest("register", "images", "study"),
    message:
        "Registering {wildcards.after} to {wildcards.before}"
    script:
        "../../scripts/register.py"


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
