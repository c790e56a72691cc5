rule survey:
    input:
        tiles=tile_files,
        guide=guide_files,
    output:
        quality="results/dies/{die}/{view}/survey/quality.csv",
        neighbours="results/dies/{die}/{view}/survey/neighbours.csv",
        flat_field="results/dies/{die}/{view}/survey/flat_field.json",
        figures="results/dies/{die}/{view}/survey/survey.json",
        small="results/dies/{die}/{view}/survey/small.npz",
    log:
        "results/logs/{die}/{view}/survey.log",
    benchmark:
        "results/logs/{die}/{view}/survey.tsv"
    threads: 2
    resources:
        mem_mb=1500,
    params:
        view=view_of,
        settings=lookup(within=config, dpath="survey"),
        code=code_digest("survey", "images", "study"),
    message:
        "Survey of {wildcards.die} ({wildcards.view})"
    script:
        "../../scripts/survey.py"


rule survey_page:
    input:
        tiles=tile_files,
        figures="results/dies/{die}/{view}/survey/survey.json",
    output:
        page="results/dies/{die}/{view}/survey/index.html",
    log:
        "results/logs/{die}/{view}/survey_page.log",
    threads: 1
    resources:
        mem_mb=800,
    params:
        code=code_digest("report", "survey", "images", "study"),
    message:
        "Survey page of {wildcards.die} ({wildcards.view})"
    script:
        "../../scripts/survey_page.py"
