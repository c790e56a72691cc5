rule segment:
    input:
        mosaic=mosaic,
        coverage=coverage,
        poses=poses,
    output:
        layers="results/dies/{die}/layers.ome.tif",
        visible="results/dies/{die}/layers_visible.tif",
        inferred="results/dies/{die}/layers_inferred.tif",
        confidence="results/dies/{die}/layers_confidence.tif",
        labels="results/dies/{die}/labels.tif",
        figures="results/dies/{die}/layers.json",
    log:
        "results/logs/{die}/segment.log",
    benchmark:
        "results/logs/{die}/segment.tsv"
    threads: 2
    resources:
        mem_mb=2000,
    params:
        settings=lookup(within=config, dpath="segment"),
        layers=lookup(within=config, dpath="layers"),
        stacks=lookup(within=config, dpath="stacks"),
        blur_limit=lookup(within=config, dpath="survey/blur_limit"),
        block_px=lookup(within=config, dpath="block_px"),
        marks=lookup(within=config, dpath="marks"),
        marked=digest_of_swatches,
        code=code_digest("segment", "images", "study"),
    message:
        "Layers of {wildcards.die}"
    script:
        "../../scripts/segment.py"
