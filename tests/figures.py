"""Measured deviations: a test states what may differ by how much and asserts it; `pytest --figures` prints them all.

The table in README.md is printed by this, so each of its figures comes from a test that checks it.
"""

from __future__ import annotations

import math

import numpy as np

PROPERTY = "deviation"
HEADS = ("Checked", "Against", "Allowed", "Largest deviation measured")


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


def _short(value: float, scale: float) -> str:
    """Two digits, or only the power of ten for what is mere rounding."""
    if value == 0:
        return "0"
    if abs(value) < 1e-5 and scale < 1e-5:
        return f"1e{math.ceil(math.log10(abs(value)))} or less"
    return f"{value:+.2g}".replace("-", "−") if abs(value) >= 1e-4 else "under 0.0001"
