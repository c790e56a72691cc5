rule suggest:
    input:
        mosaic=mosaic,
        coverage=coverage,
        figures=lambda wildcards: [
            f"results/dies/{die}/layers.json"
            for die, _ in named_neighbours(wildcards.die)
        ],
        coverages=lambda wildcards: [
            coverage_of(die) for die, _ in named_neighbours(wildcards.die)
        ],
        registrations=lambda wildcards: [
            f"results/comparisons/{pair}/registration.json"
            for _, pair in named_neighbours(wildcards.die)
        ],
    output:
        page="results/suggestions/{die}/index.html",
        marks="results/suggestions/{die}/swatches.geojson",
        landmarks="results/suggestions/{die}/landmarks.geojson",
    log:
        "results/logs/{die}/suggest.log",
    threads: 1
    resources:
        mem_mb=1500,
    params:
        view=lambda wildcards: STUDY.main_view(wildcards.die),
        code=code_digest("report", "landmarks", "segment", "images", "study"),
    message:
        "Proposing swatches and landmarks for {wildcards.die}"
    script:
        "../../scripts/suggest.py"
