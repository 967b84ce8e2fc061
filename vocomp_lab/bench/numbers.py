"""The line of numbers under a bench: what the stage did, and which goals it meets."""

from __future__ import annotations

import html
import math

from vocomp_lab.analysis.measures import MEASURES, Change
from vocomp_lab.sound.text import decibels


def _pairs(change: Change) -> list[tuple[str, str]]:
    before, after, stats = change.before, change.after, change.reduction
    pairs = []
    if stats is not None:
        pairs += [
            (f"acting (over {stats.floor_db:g} dB)", f"{100 * stats.share:.0f} % of the sung time"),
            ("reduction: median", f"{decibels(stats.median_db)} dB"),
            ("95 % stay below", f"{decibels(stats.p95_db)} dB"),
            ("largest", f"{decibels(stats.max_db)} dB"),
        ]
    return pairs + [
        ("loudness", f"{decibels(before.loudness_lufs)} → {decibels(after.loudness_lufs)} LUFS"),
        ("crest factor", f"{decibels(before.crest_db)} → {decibels(after.crest_db)} dB"),
        ("peak", f"{decibels(before.peak_dbfs)} → {decibels(after.peak_dbfs)} dBFS"),
        ("gain to match “after”", f"{decibels(change.match_gain_db, sign=True)} dB"),
    ]


_IN_THE_LINE = ("share_percent", "median_db", "p95_db", "max_db", "loudness_change_lu", "crest_change_db", "peak_dbfs")


def _measured(goal, value: float) -> str:
    return decibels(value, sign=bool(MEASURES[goal.measure].falls))


def numbers_html(change: Change, goals=(), heading: str = "", note: str = "") -> str:
    """The line as HTML: the numbers, each goal with whether it is met, and a note."""
    cells = [f"<span>{label} <b>{value}</b></span>" for label, value in _pairs(change)]
    if heading:
        cells.insert(0, f"<span><i>{html.escape(heading)}:</i></span>")
    for goal in goals:
        value = goal.value(change)
        if not goal.applies(change):
            cells.append(f"<span>✓ {goal.verdict(change)}: <b>{goal}</b></span>")
        elif not math.isnan(value):  # else another stage's goal: a filter has no reduction
            said = "✓ goal met" if goal.met(change) else "✗ goal not met yet"
            # What stands in the line already is told again only where it is to tell how far off it is.
            again = "" if goal.met(change) and goal.measure in _IN_THE_LINE else f" ({_measured(goal, value)})"
            cells.append(f"<span>{said}: <b>{goal}</b>{again}</span>")
    if note:
        cells.append(f"<span>{html.escape(note)}</span>")
    return f'<div class="vocomp-numbers">{"".join(cells)}</div>'


def numbers_text(change: Change) -> str:
    """The numbers in one line of text."""
    return "; ".join(f"{label} {value}" for label, value in _pairs(change)) + "."
