# The layers of a die come from its one view, or are merged from those of several.


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
    wildcard_constraints:
        die=one_of(die for die in STUDY.dies if not is_merged(die)),
    threads: 2
    resources:
        mem_mb=2000,
    params:
        view=segmented_view,
        settings=lookup(within=config, dpath="segment"),
        layers=lookup(within=config, dpath="layers"),
        stacks=stacks_of_view,
        blur_limit=lookup(within=config, dpath="survey/blur_limit"),
        block_px=lookup(within=config, dpath="block_px"),
        marks=lookup(within=config, dpath="marks"),
        marked=digest_of_swatches,
        code=code_digest("segment", "images", "study"),
    message:
        "Layers of {wildcards.die}"
    script:
        "../../scripts/segment.py"


use rule segment as segment_view with:
    input:
        mosaic="results/dies/{die}/{view}/mosaic.ome.tif",
        coverage="results/dies/{die}/{view}/mosaic_tiles.tif",
        poses="results/dies/{die}/{view}/tiles.csv",
    output:
        layers="results/dies/{die}/{view}/layers.ome.tif",
        visible="results/dies/{die}/{view}/layers_visible.tif",
        inferred="results/dies/{die}/{view}/layers_inferred.tif",
        confidence="results/dies/{die}/{view}/layers_confidence.tif",
        labels="results/dies/{die}/{view}/labels.tif",
        figures="results/dies/{die}/{view}/layers.json",
    log:
        "results/logs/{die}/{view}/segment.log",
    benchmark:
        "results/logs/{die}/{view}/segment.tsv"
    wildcard_constraints:
        die=one_of(die for die in STUDY.dies if is_merged(die)),
    message:
        "Layers of {wildcards.die} ({wildcards.view})"


rule merge_views:
    input:
        main=of_main_view("layers.json"),
        further=of_views_to_merge("layers.json"),
        registrations=of_views_to_merge("registration.json"),
        errors=of_views_to_merge("registration_error.tif"),
    output:
        layers="results/dies/{die}/layers.ome.tif",
        visible="results/dies/{die}/layers_visible.tif",
        inferred="results/dies/{die}/layers_inferred.tif",
        confidence="results/dies/{die}/layers_confidence.tif",
        labels="results/dies/{die}/labels.tif",
        figures="results/dies/{die}/layers.json",
    log:
        "results/logs/{die}/merge_views.log",
    benchmark:
        "results/logs/{die}/merge_views.tsv"
    wildcard_constraints:
        die=one_of(die for die in STUDY.dies if is_merged(die)),
    threads: 2
    resources:
        mem_mb=2000,
    params:
        stripped=stripped_layers,
        settings=lookup(within=config, dpath="segment"),
        block_px=lookup(within=config, dpath="block_px"),
        code=code_digest("segment", "register", "images", "study"),
    message:
        "Merging the views of {wildcards.die}"
    script:
        "../../scripts/merge_views.py"


rule lay_view:
    input:
        mosaics=of_main_and_further_view("mosaic.ome.tif"),
        coverage="results/dies/{die}/{view}/mosaic_tiles.tif",
        layers=of_main_and_further_view("layers.json"),
        registration="results/dies/{die}/{view}/registration.json",
        error="results/dies/{die}/{view}/registration_error.tif",
    output:
        mosaic="results/dies/{die}/{view}/laid.ome.tif",
        labels="results/dies/{die}/{view}/laid_labels.tif",
    log:
        "results/logs/{die}/{view}/lay_view.log",
    threads: 2
    resources:
        mem_mb=1500,
    params:
        settings=lookup(within=config, dpath="segment"),
        block_px=lookup(within=config, dpath="block_px"),
        code=code_digest("segment", "register", "images", "study"),
    message:
        "Photograph of {wildcards.die} ({wildcards.view}) in the frame of its main view"
    script:
        "../../scripts/lay_view.py"


# A check of the layers, which nothing but the report reads.
rule tile_agreement:
    input:
        tiles=tile_files,
        poses="results/dies/{die}/{view}/tiles.csv",
        flat_field="results/dies/{die}/{view}/flat_field.json",
        figures=of_segmented_view("layers.json"),
        labels=of_segmented_view("labels.tif"),
    output:
        agreement="results/dies/{die}/{view}/tile_agreement.json",
    log:
        "results/logs/{die}/{view}/tile_agreement.log",
    benchmark:
        "results/logs/{die}/{view}/tile_agreement.tsv"
    threads: 1
    resources:
        mem_mb=1000,
    params:
        settings=lookup(within=config, dpath="segment"),
        layers=lookup(within=config, dpath="layers"),
        stacks=stacks_of_view,
        blur_limit=lookup(within=config, dpath="survey/blur_limit"),
        code=code_digest("segment", "survey", "images", "study"),
    message:
        "Agreement of the tiles of {wildcards.die} ({wildcards.view})"
    script:
        "../../scripts/tile_agreement.py"
