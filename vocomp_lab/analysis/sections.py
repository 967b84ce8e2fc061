"""Find a take's sections: a soft verse and a loud chorus are two, a quiet line or a loud word is none of its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vocomp_lab.analysis.syllables import quantile
from vocomp_lab.analysis.words import analyse
from vocomp_lab.sound.audio import A_CLIP, Clip
from vocomp_lab.sound.checks import MOST_SECONDS, Each, Range, asks, check_number
from vocomp_lab.sound.remembered import remembered

LEAST_STEP_DB = 3.0
"""The least step of level from a section to the next."""
LEAST_LENGTH_S = 0.5
"""The least length of a section that is set by hand."""
# A line lasts about this long, so a take has that many gaps between lines; half as long a gap is still one.
_LINE_S, _LINE_GAP, _SHORTEST_GAP_S = 6.5, 0.5, 0.25
# A section has at least three lines, and neither a few long words nor many short ones are enough.
_LEAST_LINE_GAPS, _LEAST_WORDS, _LEAST_S = 2, 10, 8.0
# How much nearer to their section's level all words together must lie for each edge more, in units of how far they lie
# off anyway; where the gap is short the price is higher, up to four times.
_PRICE, _MOST_DOUBT = 12.0, 3.0
_FULL_WEIGHT_S, _LEAST_SPREAD_DB, _NEIGHBOURS, _MOST_GAPS = 0.3, 0.7, 4, 150


@dataclass(frozen=True)
class Section:
    """A stretch of a take in which lines are compared with one another.

    Attributes
    ----------
    start_s, end_s : float
        Seconds from the clip's start. Each section begins where the one before ends.
    level_lufs : float
        Loudness of its middle word, by time, in LUFS; −inf where nobody sings.
    """

    start_s: float
    end_s: float
    level_lufs: float


@asks(clip=A_CLIP)
def find_sections(clip: Clip) -> tuple[Section, ...]:
    """The sections of a take, as level and pauses tell them; a person may know better (:func:`sections_at`).

    Parameters
    ----------
    clip : Clip

    Returns
    -------
    tuple of Section
        In order, from the clip's start to its end. Mostly one, which is a good answer.

    Notes
    -----
    An edge lies in a gap between two words, and rather in a pause between two lines. Edges are chosen such that all
    words together lie as near as can be to the middle level of their section (sum of distances, by time), where each
    edge has its price: twelve times how far a word lies from those around it, and more where the gap is short. A
    section has at least three lines and ten words and lasts 8 s or more, so that a quiet line is none; and from one to
    the next the level changes by 3 dB or more. Common practice, no source; how often the edges are right is measured in
    ``tests/test_sections.py``.
    """
    return sections_at(clip, _edges_s(clip))


@asks(clip=A_CLIP, edges_s=Each(Range(0, MOST_SECONDS, "s"), "a list of times in seconds"))
def sections_at(clip: Clip, edges_s) -> tuple[Section, ...]:
    """The sections between given edges: what a person has corrected.

    Parameters
    ----------
    clip : Clip
    edges_s : sequence of float
        Where one section ends and the next begins, in seconds, rising; empty for one section.

    Returns
    -------
    tuple of Section
        One more than there are edges.

    Raises
    ------
    ValueError
        If a section would be shorter than 0.5 s.
    """
    edges_s = [check_number("edges_s", edge_s, 0, clip.duration_s, "s") for edge_s in edges_s]
    borders = [0.0, *edges_s, clip.duration_s]
    for start_s, end_s in zip(borders, borders[1:]) if edges_s else ():
        if end_s - start_s < LEAST_LENGTH_S:
            raise ValueError(
                f"edges_s: a section from {start_s:.2f} to {end_s:.2f} s is not allowed; each lasts "
                f"{LEAST_LENGTH_S:g} s or more."
            )
    spans_s, levels, weights = _words(clip)
    section = np.searchsorted(edges_s, spans_s.mean(axis=1), side="right")
    return tuple(
        Section(start_s, end_s, _middle(levels[section == number], weights[section == number]))
        for number, (start_s, end_s) in enumerate(zip(borders, borders[1:]))
    )


def edges_of(sections: Sequence[Section]) -> tuple[float, ...]:
    """Where one section ends and the next begins, in seconds.

    Raises
    ------
    ValueError
        If there are none, or one doesn't begin where the one before ends.
    """
    sections = tuple(sections) if isinstance(sections, (list, tuple)) else ()
    if not sections or not all(isinstance(section, Section) for section in sections):
        raise ValueError(
            "sections: give a list of sections, as find_sections(clip) or sections_at(clip, edges_s) makes it."
        )
    for before, after in zip(sections, sections[1:]):
        if before.end_s != after.start_s:
            raise ValueError(
                f"sections: one begins at {after.start_s:.2f} s, and the one before ends at {before.end_s:.2f} s; each "
                "begins where the one before ends."
            )
    return tuple(section.start_s for section in sections[1:])


def _middle(levels: np.ndarray, weights: np.ndarray) -> float:
    return quantile(levels, weights, 0.5) if len(levels) else -np.inf


def _words(clip: Clip) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Of the words that count: starts and ends in seconds, shape (words, 2); levels in LUFS; weights."""
    found = analyse(clip)
    if not len(found.words):
        return np.zeros((0, 2)), np.zeros(0), np.zeros(0)
    counts = found.counts
    spans_s = found.edges_s[found.words[counts]]
    return spans_s, found.levels_lufs[counts], np.minimum(np.diff(spans_s, axis=1)[:, 0] / _FULL_WEIGHT_S, 1.0)


@remembered(16)
def _edges_s(clip: Clip) -> tuple[float, ...]:
    spans_s, levels, weights = _words(clip)
    count = len(levels)
    if count < 2 * _LEAST_WORDS:
        return ()
    gaps_s = spans_s[1:, 0] - spans_s[:-1, 1]
    lines = min(max(1, round((spans_s[-1, 1] - spans_s[0, 0]) / _LINE_S)), count - 1)
    pause_s = max(np.sort(gaps_s)[-lines], 0.2)
    line_gaps = np.concatenate([[0], np.cumsum(gaps_s >= _LINE_GAP * pause_s)])
    longest = np.sort(np.argsort(-gaps_s, kind="stable")[:_MOST_GAPS])
    doubts = np.clip(np.log(pause_s / np.maximum(gaps_s, 1e-3)), 0.0, _MOST_DOUBT)
    near = [slice(max(k - _NEIGHBOURS, 0), k + _NEIGHBOURS + 1) for k in range(count)]
    off_db = [abs(level - _middle(levels[n], weights[n])) for level, n in zip(levels, near)]
    spread_db = max(float(np.average(off_db, weights=weights)), _LEAST_SPREAD_DB)

    def allowed(a: int, b: int) -> bool:
        return (
            b - a >= _LEAST_WORDS
            and spans_s[b - 1, 1] - spans_s[a, 0] >= _LEAST_S
            and line_gaps[b - 1] - line_gaps[a] >= _LEAST_LINE_GAPS
        )

    def cost(a: int, b: int) -> float:
        edge = spread_db * _PRICE * (1.0 + doubts[a - 1]) if a else 0.0
        return edge + float(np.sum(weights[a:b] * np.abs(levels[a:b] - _middle(levels[a:b], weights[a:b]))))

    cuts = _cheapest([0, *(int(k) + 1 for k in longest if gaps_s[k] >= _SHORTEST_GAP_S), count], allowed, cost)
    # Where the step is too small to tell two sections, they are one; the smallest step goes first.
    while cuts:
        borders = [0, *cuts, count]
        middles = [_middle(levels[a:b], weights[a:b]) for a, b in zip(borders, borders[1:])]
        steps_db = np.abs(np.diff(middles))
        if steps_db.min() >= LEAST_STEP_DB:
            break
        cuts.pop(int(steps_db.argmin()))
    return tuple(float((spans_s[k - 1, 1] + spans_s[k, 0]) / 2) for k in cuts)


def _cheapest(places: list[int], allowed, cost) -> list[int]:
    """At which of the inner `places` to cut so that the parts cost least together; only allowed parts, or the whole."""
    best = {places[0]: (0.0, places[0])}
    for b in places[1:]:
        whole = b == places[-1]
        ways = [
            (best[a][0] + cost(a, b), a)
            for a in places
            if a < b and a in best and (allowed(a, b) or (whole and a == places[0]))
        ]
        if ways:
            best[b] = min(ways)
    cuts, at = [], places[-1]
    while at != places[0]:
        at = best[at][1]
        cuts.append(at)
    return cuts[-2::-1]
