rule overlay:
    input:
        registration="results/comparisons/{before}--{after}/registration.json",
        layers_before="results/dies/{before}/layers.json",
        layers_after="results/dies/{after}/layers.json",
    output:
        overlay="results/comparisons/{before}--{after}/overlay.json",
    log:
        "results/logs/{before}--{after}/overlay.log",
    benchmark:
        "results/logs/{before}--{after}/overlay.tsv"
    threads: 2
    resources:
        mem_mb=1000,
    params:
        settings=lookup(within=config, dpath="overlay"),
        code=code_digest("overlay", "images", "study"),
    message:
        "Overlay of the layers of {wildcards.after} on {wildcards.before}"
    script:
        "../../scripts/overlay.py"
