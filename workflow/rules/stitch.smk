# The earlier poses lie in anchor.json, which is no output: Snakemake deletes outputs before a job
# runs, and the mosaic must not move when tiles are added.


rule stitch:
    input:
        tiles=tile_files,
        survey="results/dies/{die}/{view}/survey/survey.json",
    output:
        poses="results/dies/{die}/{view}/tiles.csv",
        pairs="results/dies/{die}/{view}/pairs.csv",
        figures="results/dies/{die}/{view}/stitch.json",
        flat_field="results/dies/{die}/{view}/flat_field.json",
    log:
        "results/logs/{die}/{view}/stitch.log",
    benchmark:
        "results/logs/{die}/{view}/stitch.tsv"
    threads: 2
    resources:
        mem_mb=1500,
    params:
        settings=lookup(within=config, dpath="stitch"),
        code=code_digest("stitch", "survey", "images", "study"),
    message:
        "Placing the tiles of {wildcards.die} ({wildcards.view})"
    script:
        "../../scripts/stitch.py"


rule mosaic:
    input:
        tiles=tile_files,
        poses="results/dies/{die}/{view}/tiles.csv",
        flat_field="results/dies/{die}/{view}/flat_field.json",
        small="results/dies/{die}/{view}/survey/small.npz",
    output:
        mosaic="results/dies/{die}/{view}/mosaic.ome.tif",
        coverage="results/dies/{die}/{view}/mosaic_tiles.tif",
        seams="results/dies/{die}/{view}/mosaic_seams.csv",
        scale="results/dies/{die}/{view}/scale.json",
    log:
        "results/logs/{die}/{view}/mosaic.log",
    benchmark:
        "results/logs/{die}/{view}/mosaic.tsv"
    threads: 2
    resources:
        mem_mb=1500,
    params:
        view=view_of,
        marks=lookup(within=config, dpath="marks"),
        marked=digest_of_scales,
        blur_limit=lookup(within=config, dpath="survey/blur_limit"),
        block_px=lookup(within=config, dpath="block_px"),
        code=code_digest("stitch", "survey", "images", "study"),
    message:
        "Mosaic of {wildcards.die} ({wildcards.view})"
    script:
        "../../scripts/mosaic.py"
