rule report:
    input:
        report_inputs,
    output:
        page="results/report/index.html",
    log:
        "results/logs/report.log",
    benchmark:
        "results/logs/report.tsv"
    threads: 2
    resources:
        mem_mb=1500,
    params:
        study=config,
        code=code_digest(
            "report", "arrays", "difference", "segment", "register", "images", "study"
        ),
    message:
        "Report"
    script:
        "../../scripts/report.py"


rule provenance:
    input:
        page="results/report/index.html",
    output:
        "results/provenance.json",
    log:
        "results/logs/provenance.log",
    threads: 1
    params:
        study=config,
        code=code_digest("report", "study"),
    message:
        "Provenance"
    script:
        "../../scripts/provenance.py"
