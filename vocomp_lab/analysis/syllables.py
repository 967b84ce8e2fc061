"""Which syllables make a word: told by the gaps between them, by how soft they are, and by whether a voice sings through.

Common practice, no source; how well the words that come out serve is measured in ``tests/test_level_prep_recorded.py``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vocomp_lab.analysis.loudness import RANGE_GATE_LU, power_to_lufs
from vocomp_lab.sound.levels import db_to_power

WIDEST_GAP_STEPS = 25
"""Over a wider gap nothing is one word. Steps are of 10 ms."""
LEAST_STEPS = 10
"""What is shorter is a closure, a burst or a hiss."""
_LONGEST_STEPS, _LONGEST_ISLAND_STEPS, _LONGEST_BY_GAPS_STEPS = 130, 100, 120
_END_STEPS, _END_DROP_DB = 20, 4.0
# A voice sings from word to word if its stretches without a gap are mostly longer than the first of these, or if some are
# longer than the second; a spoken word is shorter. There, a soft syllable is a word or note of its own.
_MOSTLY_STEPS, _SOME_STEPS, _SOME = 90, 140, 0.95
# The gaps around a word are wider than those in it.
_GAP_RATIO, _GAP_MORE_STEPS = 1.3, 2
_SOFT_DB, _SOFT_NOTE_DB = 6.0, 12.0
_EVEN_DB = 5.0
_USUAL = 0.6
_GATE = db_to_power(RANGE_GATE_LU)


def gated_lufs(powers: np.ndarray) -> float:
    """Loudness of some steps of K-weighted power; steps over 20 LU below their mean (gaps) don't count."""
    heard = powers[powers >= powers.mean() * _GATE]
    return float(power_to_lufs(float(heard.mean())))


def quantile(values: np.ndarray, weights: np.ndarray, share: float) -> float:
    """The value at and below which `share` of the weight lies."""
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order[np.searchsorted(total, share * total[-1])]])


@dataclass(frozen=True)
class Piece:
    """A syllable, or some of them joined: first and one past the last step, its island, and its loudness."""

    first: int
    last: int
    island: int
    level: float

    @property
    def length(self) -> int:
        return self.last - self.first


def joined(powers: np.ndarray, fragments: np.ndarray, island: np.ndarray) -> np.ndarray:
    """Join syllables to words.

    Parameters
    ----------
    powers : ndarray, shape (steps,)
        K-weighted power in steps of 10 ms.
    fragments : ndarray of int, shape (fragments, 2)
        First and one past the last step of each syllable, in order.
    island : ndarray of int, shape (fragments,)
        Number of the stretch without a gap that each lies in.

    Returns
    -------
    ndarray of int, shape (words, 2)
    """
    if len(fragments) == 0:
        return fragments
    levels = np.array([gated_lufs(powers[a:b]) for a, b in fragments])
    lengths = np.diff(fragments, axis=1)[:, 0]
    pieces = [Piece(int(a), int(b), int(k), level) for (a, b), k, level in zip(fragments, island, levels.tolist())]
    sizes = np.bincount(island, weights=fragments[:, 1] - fragments[:, 0])
    legato = quantile(sizes, sizes, 0.5) > _MOSTLY_STEPS or quantile(sizes, sizes, _SOME) > _SOME_STEPS
    joining = _Joining(powers, quantile(levels, lengths, _USUAL), legato, sizes)
    words = []
    apart = np.flatnonzero(fragments[1:, 0] - fragments[:-1, 1] > WIDEST_GAP_STEPS) + 1
    for first, last in zip([0, *apart], [*apart, len(pieces)]):
        own = pieces[first:last]
        words += joining.softly(own if legato else joining.by_gaps(own))
    return np.array([(word.first, word.last) for word in words], dtype=int)


@dataclass(frozen=True, eq=False)
class _Joining:
    powers: np.ndarray
    usual: float
    legato: bool
    sizes: np.ndarray

    def by_gaps(self, pieces: list[Piece]) -> list[Piece]:
        """Join pieces where the gaps between them are narrower than those around them."""
        for widest in range(WIDEST_GAP_STEPS + 1):
            gaps = [WIDEST_GAP_STEPS + 1, *_gaps(pieces), WIDEST_GAP_STEPS + 1]
            if widest not in gaps:
                continue
            around = max(_GAP_RATIO * widest, widest + _GAP_MORE_STEPS)
            found, first = [], 0
            for last in range(len(pieces)):
                if gaps[last + 1] > widest:
                    run = pieces[first : last + 1]
                    alone = min(gaps[first], gaps[last + 1]) >= around
                    short = run[-1].last - run[0].first <= _LONGEST_BY_GAPS_STEPS
                    found += [self._one(run)] if len(run) > 1 and alone and short else run
                    first = last + 1
            pieces = found
        return pieces

    def softly(self, pieces: list[Piece]) -> list[Piece]:
        """Join soft and short pieces to the side they are nearer to, and the rest of a short island of speech."""
        pieces = list(pieces)
        while True:
            gaps = _gaps(pieces)
            pairs = [
                (gap, -self._least_power(*pieces[k : k + 2]), k)
                for k, gap in enumerate(gaps)
                if self._joins(pieces, gaps, k)
            ]
            if not pairs:
                return pieces
            k = min(pairs)[2]
            pieces[k : k + 2] = [self._one(pieces[k : k + 2])]

    def _joins(self, pieces: list[Piece], gaps: list[int], k: int) -> bool:
        """Whether the pieces k and k + 1 are of one word."""
        one, other = pieces[k], pieces[k + 1]
        # However long a note is, its soft end before a gap belongs to it.
        last = k + 2 == len(pieces) or gaps[k + 1] > 0
        if last and one.island == other.island and other.length <= _END_STEPS and one.length > _END_STEPS:
            if other.level < min(one.level - _END_DROP_DB, self.usual):
                return True
        if other.last - one.first > _LONGEST_STEPS:
            return False
        weak = [self._weak(one), self._weak(other)]
        if not any(weak):
            short = not self.legato and one.island == other.island and self.sizes[one.island] <= _LONGEST_ISLAND_STEPS
            return short and abs(one.level - other.level) <= _EVEN_DB
        if all(weak):
            return True
        # The weak one of the two joins the side that is nearer to it, if they fit into one word.
        if weak[0]:
            return not (k > 0 and gaps[k - 1] < gaps[k] and one.last - pieces[k - 1].first <= _LONGEST_STEPS)
        after = k + 2 < len(pieces) and gaps[k + 1] < gaps[k]
        return not (after and pieces[k + 2].last - other.first <= _LONGEST_STEPS)

    def _weak(self, piece: Piece) -> bool:
        soft_db = _SOFT_NOTE_DB if self.legato else _SOFT_DB
        return piece.level < self.usual - soft_db or piece.length < LEAST_STEPS

    def _least_power(self, one: Piece, other: Piece) -> float:
        return float(self.powers[max(one.last - 2, 0) : other.first + 2].min())

    def _one(self, run: list[Piece]) -> Piece:
        first, last = run[0].first, run[-1].last
        island = run[-1].island if len({piece.island for piece in run}) == 1 else -1
        return Piece(first, last, island, gated_lufs(self.powers[first:last]))


def _gaps(pieces: list[Piece]) -> list[int]:
    return [after.first - before.last for before, after in zip(pieces, pieces[1:])]
