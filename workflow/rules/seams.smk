# Finished pictures only: what an earlier joining left inside.


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
