"""Random numbers that stay the same for ever: one named stream for each purpose, all from one seed.

The shipped clips are rebuilt bit for bit, so the streams must not change with NumPy's version. NumPy has frozen the
streams of `RandomState` (NEP 19), but may change those of its newer `Generator`. With named streams, one part's draws
stay the same when another part draws more.
"""

from __future__ import annotations

import zlib

import numpy as np

from vocomp_lab.sound.checks import check_whole


def stream(seed: int, purpose: str) -> np.random.RandomState:
    """The random stream of `seed` (0 to 2³¹ − 1) for one named purpose."""
    mixed = np.random.SeedSequence([check_whole("seed", seed, 0, 2**31 - 1), zlib.crc32(purpose.encode())])
    return np.random.RandomState(np.random.MT19937(mixed))
