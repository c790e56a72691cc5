rule difference:
    input:
        registration="results/comparisons/{before}--{after}/registration.json",
        error="results/comparisons/{before}--{after}/registration_error.tif",
        overlay="results/comparisons/{before}--{after}/overlay.json",
        layers_before="results/dies/{before}/layers.json",
        layers_after="results/dies/{after}/layers.json",
        mosaics=both_mosaics,
        coverages=both_coverages,
        poses=both_poses,
        registrations=all_registrations,
        link="results/dies/{before}/to_study.json",
        marked_poses=poses_of_marks("landmark"),
        marked_links=links_of(dies_of_marks("landmark")),
    output:
        masks=expand(
            "results/comparisons/{{before}}--{{after}}/differences/{layer}.tif",
            layer=LAYERS,
        ),
        changes="results/comparisons/{before}--{after}/changes.csv",
        polygons="results/comparisons/{before}--{after}/changes.geojson",
        landmarks="results/comparisons/{before}--{after}/landmarks.csv",
        sensitivity="results/comparisons/{before}--{after}/sensitivity.csv",
        sensitivity_map="results/comparisons/{before}--{after}/sensitivity.tif",
        summary="results/comparisons/{before}--{after}/summary.json",
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
        marks=lookup(within=config, dpath="marks"),
        marked=marks_digest(MARKS, "landmark"),
        code=code_digest(
            "difference", "overlay", "register", "segment", "images", "study"
        ),
    message:
        "Differences between {wildcards.before} and {wildcards.after}"
    script:
        "../../scripts/difference.py"
