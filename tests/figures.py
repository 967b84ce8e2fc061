"""What tests measure: deviations (what may differ by how much) and counts (how many takes must come out right).

A test states them and asserts them; `pytest --figures` prints them all. The tables in README.md are printed by this, so
each of their figures comes from a test that checks it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

PROPERTY = "deviation"
HEADS = ("Checked", "Against", "Allowed", "Largest deviation measured")
COUNTED = "counted"
COUNTED_HEADS = ("Checked", "On", "Wanted", "Measured")


class Deviations:
    """The fixture ``deviation``: call it with a measured difference to check it against what is allowed.

    Parameters
    ----------
    record : callable
        pytest's ``record_property``: what it gets travels with the test's report, also from another process.
    """

    def __init__(self, record):
        self._record = record

    def __call__(self, what: str, against: str, off, within, unit: str = "", note="") -> None:
        """Assert that every number of `off` (measured minus expected) is within ±`within`, or within (low, high).

        Raises
        ------
        AssertionError
            Says what is off and by how much, then `note`. NaN is never allowed.
        """
        off = np.atleast_1d(np.asarray(off, dtype=float)).ravel()
        low, high = (-within, within) if np.isscalar(within) else within
        assert off.size, f"{what}: nothing was measured"
        worst = float(off[np.argmax(np.where(np.isnan(off), np.inf, np.abs(off)))])
        inside = bool(np.all((off >= low) & (off <= high)))
        self._record(PROPERTY, [what, against, low, high, unit, worst])
        assert inside, f"{what}: off by {worst:g} {unit}, allowed are {low:g} to {high:g}. {note}"


class Counts:
    """The fixture ``count``: call it with what came out right to check its share against what is wanted.

    Parameters
    ----------
    record : callable
        As for :class:`Deviations`.
    """

    def __init__(self, record):
        self._record = record

    def __call__(self, what: str, on: str, hits: Sequence[bool], wanted: float) -> None:
        """Assert that at least the share `wanted` (0 to 1) of `hits` is true.

        Raises
        ------
        AssertionError
            Says how many of how many are, and which are not, by their places. Nothing counted is never enough.
        """
        hits = [bool(hit) for hit in hits]
        assert hits, f"{what}: nothing was counted"
        self._record(COUNTED, [what, on, wanted, sum(hits), len(hits)])
        missed = [place for place, hit in enumerate(hits) if not hit]
        assert sum(hits) >= wanted * len(hits), (
            f"{what}: {sum(hits)} of {len(hits)} on {on}, wanted are {wanted:.0%}. Missed: {missed}"
        )


def table(recorded) -> list[str]:
    """Lines of a Markdown table: one row with the largest deviation for all that is recorded under the same words."""
    rows: dict[tuple, float] = {}
    for what, against, low, high, unit, worst in recorded:
        key = (what, against, low, high, unit)
        if abs(worst) >= abs(rows.get(key, 0.0)):
            rows[key] = worst
    lines = [f"| {' | '.join(HEADS)} |", f"|{' --- |' * len(HEADS)}"]
    for (what, against, low, high, unit), worst in sorted(rows.items(), key=lambda row: (row[0][0].lower(), row[0][1])):
        allowed = f"±{high:.2g}" if low == -high else f"{low:+.2g} to {high:+.2g}".replace("-", "−")
        lines.append(f"| {what} | {against} | {allowed} {unit} | {_short(worst, high)} {unit} |")
    return [" ".join(line.split()) for line in lines]


def counted_table(recorded) -> list[str]:
    """Lines of a Markdown table: one row for all that is recorded under the same words, with the hits added up."""
    rows: dict[tuple, np.ndarray] = {}
    for what, on, wanted, hits, total in recorded:
        rows[what, on, wanted] = rows.get((what, on, wanted), np.zeros(2, dtype=int)) + (hits, total)
    lines = [f"| {' | '.join(COUNTED_HEADS)} |", f"|{' --- |' * len(COUNTED_HEADS)}"]
    for (what, on, wanted), (hits, total) in sorted(rows.items(), key=lambda row: (row[0][0].lower(), row[0][1])):
        lines.append(f"| {what} | {on} | {100 * wanted:.3g} % or more | {hits} of {total} |")
    return lines


def _short(value: float, scale: float) -> str:
    """Two digits, or only the power of ten for what is mere rounding."""
    if value == 0:
        return "0"
    if abs(value) < 1e-5 and scale < 1e-5:
        return f"1e{math.ceil(math.log10(abs(value)))} or less"
    return f"{value:+.2g}".replace("-", "−") if abs(value) >= 1e-4 else "under 0.0001"
