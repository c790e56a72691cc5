# A study without `arrays:` has none of these rules.

if ARRAYS:

    rule arrays:
        input:
            mosaic=mosaic,
            coverage=coverage,
            layers="results/dies/{die}/layers.ome.tif",
            labels="results/dies/{die}/labels.tif",
            marked_poses=poses_of_marks(*ARRAY_ROLES),
            links=links_of_arrays,
            registrations=registrations_of_arrays,
        output:
            array_files("results/dies/{{die}}/arrays/{name}{ending}"),
        log:
            "results/logs/{die}/arrays.log",
        benchmark:
            "results/logs/{die}/arrays.tsv"
        threads: 1
        resources:
            mem_mb=1500,
        params:
            arrays=lookup(within=config, dpath="arrays"),
            marks=lookup(within=config, dpath="marks"),
            marked=[marks_digest(MARKS, role) for role in ARRAY_ROLES],
            corrections=lookup(within=config, dpath="bit_corrections"),
            corrected=digest_of_corrections,
            code=code_digest("arrays", "segment", "images", "study"),
        message:
            "Arrays of {wildcards.die}"
        script:
            "../../scripts/arrays.py"

    rule compare_arrays:
        input:
            before=expand(
                "results/dies/{{before}}/arrays/{array}.bits.csv", array=ARRAYS
            ),
            after=expand("results/dies/{{after}}/arrays/{array}.bits.csv", array=ARRAYS),
            link="results/dies/{before}/to_study.json",
            registrations=all_registrations,
        output:
            table="results/comparisons/{before}--{after}/arrays.csv",
            summary="results/comparisons/{before}--{after}/arrays.json",
        log:
            "results/logs/{before}--{after}/compare_arrays.log",
        threads: 1
        params:
            arrays=lookup(within=config, dpath="arrays"),
            code=code_digest("arrays", "study"),
        message:
            "Arrays of {wildcards.before} and {wildcards.after}"
        script:
            "../../scripts/compare_arrays.py"
