"""Stretches of time in which something holds: where they start and end, with short gaps closed."""

from __future__ import annotations

import numpy as np

from vocomp_lab.sound.checks import MOST_SECONDS, check_number, listed


def stretches(flags: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Where the True stretches start, and the index after their ends."""
    change = np.diff(flags.astype(np.int8), prepend=0, append=0)
    return np.flatnonzero(change > 0), np.flatnonzero(change < 0)


def checked_words(spans) -> list:
    """Words, phrases or other spans as a list; ValueError in one sentence if one has no start and end."""
    spans = listed("words", spans, "a list of words such as voiced_words(clip) finds")
    for span in spans:
        if not (hasattr(span, "start_s") and hasattr(span, "end_s")):
            raise ValueError(
                f"words: {type(span).__name__} is not allowed; give words such as voiced_words(clip) finds."
            )
        for end in (span.start_s, span.end_s):
            check_number("words", end, -MOST_SECONDS, MOST_SECONDS, "s")
    return spans


def edges_s(spans) -> np.ndarray:
    """Start and end of each span in seconds, shape (spans, 2); ValueError as :func:`checked_words`."""
    spans = checked_words(spans)
    return np.array([(span.start_s, span.end_s) for span in spans], dtype=float).reshape(-1, 2)


def bridged(starts: np.ndarray, ends: np.ndarray, least_gap: float) -> tuple[np.ndarray, np.ndarray]:
    """The same stretches with every gap shorter than `least_gap` closed; starts and ends rise and don't overlap."""
    apart = starts[1:] - ends[:-1] >= least_gap
    edge = np.ones(min(len(starts), 1), dtype=bool)
    return starts[np.append(edge, apart)], ends[np.append(apart, edge)]


def filled(starts: np.ndarray, ends: np.ndarray, count: int) -> np.ndarray:
    """True inside the stretches, shape (count,)."""
    change = np.zeros(count + 1, dtype=int)
    change[starts] += 1
    change[ends] -= 1
    return np.cumsum(change[:-1]) > 0
