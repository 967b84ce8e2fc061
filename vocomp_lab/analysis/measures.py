"""What a stage changed, in numbers: the line that stands under every bench."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Callable

import numpy as np

from vocomp_lab.analysis.evenness import WordLevels, word_levels
from vocomp_lab.analysis.listening import match_gain_db
from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.meters import ReductionStats, active_mask, reduction_stats
from vocomp_lab.analysis.onsets import beginnings_change_db
from vocomp_lab.analysis.words import voiced_words
from vocomp_lab.processors.chain import StageResult
from vocomp_lab.sound.audio import CURVE_RATE, Clip
from vocomp_lab.sound.checks import REDUCTION, Of, Range, asks, check_choice, check_number
from vocomp_lab.sound.levels import crest_factor_db, sample_peak_dbfs
from vocomp_lab.sound.remembered import remembered
from vocomp_lab.sound.text import decibels, minus


@dataclass(frozen=True)
class ClipNumbers:
    """Loudness, crest factor over the sung time, and sample peak of one clip, in LUFS, dB and dBFS."""

    loudness_lufs: float
    crest_db: float
    peak_dbfs: float


@dataclass(frozen=True)
class Change:
    """Before, after, and the reduction between them.

    Attributes
    ----------
    before, after : ClipNumbers
    reduction : ReductionStats or None
        None where the stage has no gain reduction, such as a filter.
    stage : StageResult or None
        What it was measured on. Without it there are only the numbers above.
    """

    before: ClipNumbers
    after: ClipNumbers
    reduction: ReductionStats | None
    stage: StageResult | None = field(default=None, repr=False, compare=False)

    @property
    def match_gain_db(self) -> float:
        """Gain that makes the result as loud as what went in."""
        return match_gain_db(self.after.loudness_lufs, self.before.loudness_lufs)

    @cached_property
    def beginnings_db(self) -> float:
        """How much farther the beginnings of notes stand out, where the stage acts; NaN where there are none.

        See :func:`vocomp_lab.analysis.onsets.beginnings_change_db`.
        """
        if self.stage is None or self.stage.reduction_db is None:
            return math.nan
        return beginnings_change_db(self.stage.source, self.stage.output, self.stage.reduction_db)

    @cached_property
    def spread_change_lu(self) -> float:
        """Change of the words' spread (``WordLevels.spread_lu``), below 0 where they come closer together.

        Words that lie farther than ``FAR_OFF_LU`` from the middle one don't count: they are for level prep. NaN where the
        others lie closer together than ``EVEN_LU`` to begin with, so that nothing is asked for.
        """
        if self.stage is None:
            return math.nan
        before = _word_levels(self.stage.source)
        near = [span for span, off in zip(_words(self.stage.source), before.offsets_lu) if abs(off) <= FAR_OFF_LU]
        spread_lu = word_levels(self.stage.source, near).spread_lu
        if not spread_lu >= EVEN_LU:
            return math.nan
        return word_levels(self.stage.output, near).spread_lu - spread_lu

    @cached_property
    def every_word_change_lu(self) -> float:
        """The same for every word, the far ones too, as a chain with level prep in it should bring all of them closer together.

        NaN where they lie closer together than ``EVERY_WORD_LU`` to begin with.
        """
        if self.stage is None:
            return math.nan
        spread_lu = _word_levels(self.stage.source).spread_lu
        if not spread_lu >= EVERY_WORD_LU:
            return math.nan
        return word_levels(self.stage.output, _words(self.stage.source)).spread_lu - spread_lu


A_CHANGE = Of(Change, "a Change, as stage_change(result.stages[name]) gives it")

FAR_OFF_LU = 6.0
"""Words that lie farther than this from the middle one are for level prep: to bring them back, a compressor would have to take
off more than the 2 to 5 dB that it takes off the rest. Common practice, no source."""
EVEN_LU = 2.0
"""Words whose spread is less than this are even enough for a compressor to leave as they are: common practice, no source.
Between 20 recorded people who say single words at one level it is 0.6 to 1.8 LU."""

EVERY_WORD_LU = 3.0
"""The same for a whole chain, from the recording on: common practice, no source."""


@remembered(16)  # of one voice, for every move of a control
def _words(clip: Clip) -> list:
    return voiced_words(clip)


@remembered(16)
def _word_levels(clip: Clip) -> WordLevels:
    return word_levels(clip, _words(clip))


def clip_numbers(clip: Clip, active) -> ClipNumbers:
    """Measure one clip.

    Parameters
    ----------
    clip : Clip
    active : array_like of bool, shape (frames,)
        Where the singer sings: :func:`vocomp_lab.analysis.meters.active_mask`, of the source where a source and its
        result are compared.
    """
    return ClipNumbers(integrated_lufs(clip), crest_factor_db(clip, active), sample_peak_dbfs(clip))


def measure_change(
    before: ClipNumbers, output: Clip, reduction_db: np.ndarray | None, active: np.ndarray, floor_db: float = 0.5
) -> Change:
    """Measure a result against what went in.

    Parameters
    ----------
    before : ClipNumbers
        Of the source, measured once: it doesn't change while a control moves.
    output : Clip
    reduction_db : ndarray of shape (frames,), or None
    active : ndarray of bool, shape (frames,)
        Where the singer sings (:func:`vocomp_lab.analysis.meters.active_mask`).
    floor_db : float
        Reduction above this counts as "acting".
    """
    stats = None if reduction_db is None else reduction_stats(reduction_db, active, floor_db)
    return Change(before, clip_numbers(output, active), stats)


def stage_change(stage: StageResult) -> Change:
    """What one stage of a chain changed, over the sung time of what went into it."""
    active = active_mask(stage.source)
    change = measure_change(clip_numbers(stage.source, active), stage.output, stage.reduction_db, active)
    return replace(change, stage=stage)


@dataclass(frozen=True)
class Moment:
    """A stretch in which the reduction acted without a break."""

    start_s: float
    end_s: float
    max_db: float


@asks(reduction_db=REDUCTION, rate=CURVE_RATE, floor_db=Range(0, 100, "dB"))
def reduction_moments(reduction_db: np.ndarray, rate: int, floor_db: float = 0.5) -> list[Moment]:
    """The stretches in which reduction is above a floor, the deepest first.

    Parameters
    ----------
    reduction_db : ndarray, shape (frames,)
    rate : int
    floor_db : float

    Returns
    -------
    list of Moment
    """
    above = np.concatenate([[False], np.asarray(reduction_db) > floor_db, [False]])
    edges = np.flatnonzero(above[1:] != above[:-1])
    moments = [
        Moment(float(start / rate), float(end / rate), float(np.max(reduction_db[start:end])))
        for start, end in zip(edges[::2], edges[1::2])
    ]
    return sorted(moments, key=lambda moment: -moment.max_db)


ROUNDING = 0.0499
"""Numbers are shown to a tenth: what reads as the edge of a window is in it."""


@dataclass(frozen=True)
class Goal:
    """A window that a measured number should land in, shown on a bench and checked in the lessons.

    Parameters
    ----------
    measure : str
        One of ``MEASURES``.
    low, high : float
        The window, both ends included; infinite where it is open.
    """

    measure: str
    low: float = -math.inf
    high: float = math.inf

    def __post_init__(self):
        check_choice("measure", self.measure, tuple(MEASURES))
        for name in ("low", "high"):
            object.__setattr__(self, name, check_number(name, getattr(self, name), -math.inf, math.inf))
        if self.low > self.high:
            raise ValueError(f"low: {self.low:g} is not allowed; give a number that is not above high, {self.high:g}.")

    @asks(change=A_CHANGE)
    def value(self, change: Change) -> float:
        """The measured number; NaN where the stage has no such number."""
        return MEASURES[self.measure].of(change)

    @asks(change=A_CHANGE)
    def applies(self, change: Change) -> bool:
        """Whether there is something on this clip to judge by; a goal that doesn't apply asks for nothing."""
        return not (MEASURES[self.measure].where_any and math.isnan(self.value(change)))

    @asks(change=A_CHANGE)
    def met(self, change: Change) -> bool:
        """Whether the number lies in the window, read to a tenth as it is shown, or nothing is asked for."""
        value = self.value(change)
        return self.low - ROUNDING <= value <= self.high + ROUNDING or not self.applies(change)

    @asks(change=A_CHANGE)
    def verdict(self, change: Change) -> str:
        """Whether it is met, with the measured number, for reading."""
        if not self.applies(change):
            return f"nothing needed ({MEASURES[self.measure].where_any})"
        measured = decibels(self.value(change), sign=bool(MEASURES[self.measure].falls))
        return f"{'met' if self.met(change) else 'not met yet'} (measured: {measured})"

    def __str__(self):
        measure = MEASURES[self.measure]
        if measure.falls and math.isinf(self.high) and self.low < 0:
            return minus(f"{measure.falls} by at most {-self.low:g} {measure.unit}")
        return f"{measure.label} {window_text(self.low, self.high, measure.unit)}"


def window_text(low: float, high: float, unit: str) -> str:
    """A window for reading, such as "at most 15 dB"; an infinite end is an open one."""
    if math.isinf(low):
        window = f"at most {high:g}"
    elif math.isinf(high):
        window = f"at least {low:g}"
    else:
        window = f"{low:g} to {high:g}"
    return minus(f"{window} {unit}")


@dataclass(frozen=True)
class Measure:
    """A number that a change can be judged by: its name for reading, its unit, and how it is taken from a Change.

    Where a clip may have nothing to judge it by, ``where_any`` says so in words. ``falls`` says in words what a value below 0
    means, where a goal may allow for some of it.
    """

    label: str
    unit: str
    of: Callable[[Change], float]
    where_any: str = ""
    falls: str = ""


def _of_reduction(name: str, scale: float = 1.0):
    return lambda change: math.nan if change.reduction is None else scale * getattr(change.reduction, name)


def _over_median(change: Change) -> float:
    return math.nan if change.reduction is None else change.reduction.max_db - change.reduction.median_db


MEASURES = {
    "share_percent": Measure("time acting", "% of the sung time", _of_reduction("share", 100.0)),
    "median_db": Measure("median reduction", "dB", _of_reduction("median_db")),
    "p95_db": Measure("95th percentile of reduction", "dB", _of_reduction("p95_db")),
    "max_db": Measure("largest reduction", "dB", _of_reduction("max_db")),
    "over_median_db": Measure("largest reduction over the median", "dB", _over_median),
    "loudness_change_lu": Measure("loudness change", "LU", lambda c: c.after.loudness_lufs - c.before.loudness_lufs),
    "crest_change_db": Measure(
        "crest factor change", "dB", lambda c: c.after.crest_db - c.before.crest_db, falls="crest factor falls"
    ),
    "peak_dbfs": Measure("peak", "dBFS", lambda c: c.after.peak_dbfs),
    "loudness_lufs": Measure("loudness", "LUFS", lambda c: c.after.loudness_lufs),
    "peak_change_db": Measure("peak change", "dB", lambda c: c.after.peak_dbfs - c.before.peak_dbfs),
    "beginnings_db": Measure(
        "lift of the beginnings of notes", "dB", lambda c: c.beginnings_db, "it acts on no note that lasts"
    ),
    "spread_change_lu": Measure(
        "change of the words' spread, far-off words aside",
        "LU",
        lambda c: c.spread_change_lu,
        f"they lie within {EVEN_LU:g} LU already",
    ),
    "every_word_change_lu": Measure(
        "change of the spread of all words",
        "LU",
        lambda c: c.every_word_change_lu,
        f"they lie within {EVERY_WORD_LU:g} LU already",
    ),
}
