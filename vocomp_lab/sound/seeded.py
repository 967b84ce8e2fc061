"""Random numbers that stay the same for ever: one named stream per purpose, all from one seed.

The shipped clips are rebuilt bit for bit, so the streams may not change with NumPy's version. NumPy keeps the streams
of `RandomState` frozen (NEP 19); those of its newer `Generator` it may improve. Naming the stream keeps the draws of
one part from moving when another part draws more.
"""

from __future__ import annotations

import zlib

import numpy as np

from vocomp_lab.sound.checks import check_whole


def stream(seed: int, purpose: str) -> np.random.RandomState:
    """The random stream of `seed` (0 to 2³¹ − 1) for one named purpose."""
    mixed = np.random.SeedSequence([check_whole("seed", seed, 0, 2**31 - 1), zlib.crc32(purpose.encode())])
    return np.random.RandomState(np.random.MT19937(mixed))
