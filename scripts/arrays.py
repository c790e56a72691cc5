"""Read the programmed arrays of a die bit by bit."""

from pathlib import Path

from maskdelta.arrays import DieRasters, read_array, write_meaning
from maskdelta.cli import session
from maskdelta.images import Raster
from maskdelta.segment import SPOILED
from maskdelta.study import ArraySettings, Frames, read_corrections, read_marks

with session(snakemake.log[0], snakemake.threads):
    die = snakemake.wildcards.die
    arrays = {name: ArraySettings(**s) for name, s in snakemake.params.arrays.items()}
    marks = read_marks(snakemake.params.marks)
    corrections = read_corrections(snakemake.params.corrections)
    files = snakemake.input
    frames = Frames(files.marked_poses, files.links, "results/comparisons")
    opened = [Raster.open(p) for p in (files.mosaic, files.coverage, files.layers, files.labels)]
    folder = Path(files.layers).parent / "arrays"
    bits = {}
    with DieRasters(*opened, spoiled=SPOILED) as rasters:
        for name, settings in arrays.items():
            checked = corrections.get((name, die), {})
            reading = read_array(name, settings, rasters, marks, frames, die, corrections=checked)
            reading.write(folder, name)
            bits[name] = reading.bits
            print(name, reading.record["why"] or f"{reading.bits.unreadable} unreadable bits")
    write_meaning(folder, bits, arrays)
