"""What the mask ROM holds: a tune, one note a word."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_TUNE = (
    # (step of the scale, length): a made-up chime of four short phrases.
    (5, 1), (3, 1), (5, 1), (8, 3), (6, 1), (5, 1), (3, 2), (0, 1),
    (5, 1), (3, 1), (5, 1), (10, 3), (8, 1), (6, 1), (5, 2), (0, 1),
    (1, 1), (3, 1), (5, 2), (3, 1), (1, 1), (3, 1), (6, 2), (0, 1),
    (8, 1), (6, 1), (5, 1), (3, 1), (1, 3), (1, 1), (1, 3), (0, 3),
)  # fmt: skip
"""Notes as (step of the scale with 0 for a rest, length less one)."""


def melody_words(words: int, columns: int, *, rng: np.random.Generator) -> NDArray[np.bool_]:
    """Return the contents of the ROM.

    Columns 0..3 hold the step of the scale (least significant first), 4..5 the length, 6 is set
    where the hammer strikes (no rest), 7 marks the last note; further columns hold the second
    voice a third lower in the same way. The tune is transposed by the seed.

    Returns
    -------
    (words, columns) bool
    """
    shift = int(rng.integers(0, 4))
    bits = np.zeros((words, columns), dtype=bool)
    for word in range(words):
        step, length = _TUNE[word % len(_TUNE)]
        for voice in range(-(-columns // 8)):
            note = 0 if step == 0 else max(1, step + shift - 2 * voice)
            fields = [(note >> k) & 1 for k in range(4)]
            fields += [length & 1, length >> 1, int(note > 0), int(word == words - 1)]
            for k, value in enumerate(fields):
                if 8 * voice + k < columns:
                    bits[word, 8 * voice + k] = bool(value)
    return bits
