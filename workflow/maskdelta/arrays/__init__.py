"""Layer stack and lattice -> bits of programmed arrays, what they mean, and what differs."""

from maskdelta.arrays._bits import DieRasters, ReadBits, read_bits
from maskdelta.arrays._compare import Arrangement, ComparedArray, compare_bits
from maskdelta.arrays._compared_dies import compare_arrays
from maskdelta.arrays._find import Corner, find_lattice
from maskdelta.arrays._fit import LatticeFit
from maskdelta.arrays._lattice import Axis, Lattice
from maskdelta.arrays._meaning import write_meaning
from maskdelta.arrays._propose import LatticeProposal, find_dots, propose_lattice
from maskdelta.arrays._read import ArrayReading, check_marks, read_array
from maskdelta.arrays._sheet import contact_sheet
from maskdelta.arrays._terms import Decoded, Term, decode_plane
from maskdelta.arrays._words import Word, intel_hex, words_of

__all__ = [
    "Arrangement",
    "ArrayReading",
    "Axis",
    "ComparedArray",
    "Corner",
    "Decoded",
    "DieRasters",
    "Lattice",
    "LatticeFit",
    "LatticeProposal",
    "ReadBits",
    "Term",
    "Word",
    "check_marks",
    "compare_arrays",
    "compare_bits",
    "contact_sheet",
    "decode_plane",
    "find_dots",
    "find_lattice",
    "intel_hex",
    "propose_lattice",
    "read_array",
    "read_bits",
    "words_of",
    "write_meaning",
]
