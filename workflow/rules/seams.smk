# What an earlier joining left inside: in finished pictures alone, and in any pair of dies.


rule seams:
    input:
        mosaic="results/dies/{die}/{view}/mosaic.ome.tif",
        coverage="results/dies/{die}/{view}/mosaic_tiles.tif",
    output:
        table="results/dies/{die}/{view}/seams.csv",
        figures="results/dies/{die}/{view}/seams.json",
    log:
        "results/logs/{die}/{view}/seams.log",
    benchmark:
        "results/logs/{die}/{view}/seams.tsv"
    threads: 2
    resources:
        mem_mb=1000,
    params:
        code=code_digest("seams", "images", "study"),
    message:
        "Seams left inside the picture of {wildcards.die} ({wildcards.view})"
    script:
        "../../scripts/seams.py"


rule jumps:
    input:
        registration="results/comparisons/{before}--{after}/registration.json",
        residuals="results/comparisons/{before}--{after}/residuals.csv",
        link="results/dies/{before}/to_study.json",
        registrations=all_registrations,
    output:
        table="results/comparisons/{before}--{after}/jumps.csv",
    log:
        "results/logs/{before}--{after}/jumps.log",
    threads: 1
    resources:
        mem_mb=500,
    params:
        code=code_digest("seams", "study"),
    message:
        "Jumps between {wildcards.before} and {wildcards.after}"
    script:
        "../../scripts/jumps.py"
