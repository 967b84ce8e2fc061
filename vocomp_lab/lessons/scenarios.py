"""Prepared steps for a demonstration: named settings of a stage, each with one sentence on what to listen for.

Every bench has them, from the settings that it starts with: the presenter's mode steps through them
(``00_start_here``). A step is offered only if it can be heard on the clip at hand, and if what its question takes for
granted was measured there.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from vocomp_lab.analysis.listening import match_loudness
from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.measures import Goal
from vocomp_lab.analysis.meters import reduction_stats
from vocomp_lab.analysis.thresholds import threshold_for
from vocomp_lab.lessons.controls import Choice, controls_for
from vocomp_lab.processors.chain import Chain, StageResult
from vocomp_lab.processors.deesser import DeEsser
from vocomp_lab.processors.filters import HighPass, HighShelf, LowShelf, Peaking
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import amplitude_to_db, crest_factor_db
from vocomp_lab.sound.text import decibels

HEARD_DB = -40.0
"""A difference below this, against the voice at the same moment, is not offered (common practice, no source)."""
MOMENT_S = 0.1
IDLE_DB, PREPARED_MEDIAN_DB, PREPARED_SHARE, PREPARED_MAX_DB = 1.0, 3.0, 2 / 3, 2.0
"""A stage that never takes away more than the first is prepared to take the second half the time; one that acts longer
than its bench asks for is prepared to act for this share of that, and to reach the last at its deepest (common
practice, no source)."""


@dataclass(frozen=True)
class Scenario:
    """One step of a demonstration.

    Parameters
    ----------
    name : str
        What is done, in a few words.
    listen_for : str
        One sentence for the class, a question rather than an answer.
    settings : dict
        The settings that differ from those the bench starts with, by field.
    answer : str
        What was measured, for after the guess; empty where there is nothing to say.
    """

    name: str
    listen_for: str
    settings: dict = field(default_factory=dict)
    answer: str = ""

    def __post_init__(self):
        for part in ("name", "listen_for"):
            value = getattr(self, part)
            if not isinstance(value, str) or not value.strip():
                raise ValueError(f"{part}: {value!r} is not allowed; give a text that is not empty.")
        if not isinstance(self.settings, dict):
            raise ValueError(f"settings: {type(self.settings).__name__} is not allowed; give settings by field.")
        if not isinstance(self.answer, str):
            raise ValueError(f"answer: {self.answer!r} is not allowed; give a text.")


@dataclass(frozen=True, eq=False)
class _Heard:
    """A stage's result, and what it sounds like at the loudness of what went in."""

    stage: StageResult
    sung: np.ndarray

    @property
    def matched(self) -> Clip:
        return match_loudness(self.stage.output, self.stage.source)[0]

    @property
    def stats(self):
        return reduction_stats(self.stage.reduction_db, self.sung)

    @property
    def mean_db(self) -> float:
        return float(self.stage.reduction_db[self.sung].mean()) if self.sung.any() else 0.0


@dataclass(frozen=True)
class _Effect:
    """A number by which a step is seen to do what its question takes for granted: its change has the sign of
    `least`."""

    label: str
    unit: str
    of: Callable[[_Heard], float]
    least: float

    def borne_out(self, before: float, after: float) -> bool:
        return (after - before) * math.copysign(1, self.least) >= abs(self.least)


def _deeper(least):
    return _Effect("reduction, 95 % of the time below", "dB", lambda heard: heard.stats.p95_db, least)


def _largest(least):
    return _Effect("largest reduction", "dB", lambda heard: heard.stats.max_db, least)


def _crest(least):
    return _Effect("crest factor", "dB", lambda heard: crest_factor_db(heard.stage.output), least)


def _mean(least):
    return _Effect("reduction, on average while there is singing,", "dB", lambda heard: heard.mean_db, least)


@dataclass(frozen=True)
class _Step:
    """What is done to one field, the new value from the old one, what to ask, and what must be measured for that."""

    field: str
    name: str
    change: Callable
    question: str
    effect: _Effect | None = None
    when: Callable = lambda processor: True


def _is(kind):
    return lambda processor: isinstance(processor, kind)


_BELLS = (Peaking, LowShelf, HighShelf)


def _boosts(processor):
    return isinstance(processor, _BELLS) and processor.gain_db > 0


def _cuts(processor):
    return isinstance(processor, _BELLS) and processor.gain_db < 0


def _on_voice(processor):
    return not isinstance(processor, DeEsser)


_low_cut, _on_hiss = _is(HighPass), _is(DeEsser)
# Common practice, no source.
_STEPS = (
    _Step("threshold_db", "threshold 10 dB lower", lambda v: v - 10,
          "do the soft words come nearer, and do the loud ones still stand out?", _deeper(1.0), _on_voice),
    _Step("threshold_db", "threshold 10 dB lower", lambda v: v - 10,
          "is the hiss gone, or does the singer begin to lisp?", _mean(0.1), _on_hiss),
    _Step("threshold_db", "threshold 6 dB higher", lambda v: v + 6,
          "which words are touched now, and which are left alone?", _deeper(-0.5), _on_voice),
    _Step("ratio", "ratio four times as high", lambda v: v * 4,
          "does the voice hold stiller, or does it sound held down?", _largest(1.0), _on_voice),
    _Step("attack_ms", "attack thirty times as slow", lambda v: v * 30,
          "what happens to the starts of the words?", _crest(0.3), _on_voice),
    _Step("attack_ms", "attack a tenth", lambda v: v / 10, "are the consonants still crisp?", _crest(-0.3), _on_voice),
    _Step("release_ms", "release a tenth", lambda v: v / 10,
          "do the held notes stay smooth, and do breaths and room come up?", _mean(-0.1), _on_voice),
    _Step("release_ms", "release eight times as slow", lambda v: v * 8,
          "what happens to the soft words after a loud one?", _mean(0.3), _on_voice),
    _Step("release_ms", "release eight times as slow", lambda v: v * 8,
          "what happens to the vowel behind the s?", _mean(0.1), _on_hiss),
    _Step("mix", "half of the uncompressed voice with it", lambda v: 0.5 if v > 0.75 else v,
          "what comes back, and what stays as even as it was?"),
    _Step("mix", "only the compressed voice", lambda v: 1, "what has gone along with the uncompressed voice?"),
    _Step("drive_db", "12 dB more drive", lambda v: v + 12, "does the voice get nearer, or rougher?"),
    _Step("asymmetry", "both halves of the wave bent unequally", lambda v: max(v, 0.6),
          "is the colour another one, or is it only more?"),
    _Step("asymmetry", "both halves of the wave bent alike", lambda v: 0,
          "is the colour another one, or is it only less?"),
    _Step("range_db", "at most 3 dB taken away", lambda v: 3, "is the hiss of the s still too much?", _largest(-0.5)),
    _Step("freq_hz", "an octave higher", lambda v: v * 2, "what is missing now, and do you miss it?", when=_low_cut),
    _Step("freq_hz", "an octave lower", lambda v: v / 2, "is what disturbed before back again?", when=_low_cut),
    _Step("freq_hz", "an octave higher", lambda v: v * 2, "what steps forward now?", when=_boosts),
    _Step("freq_hz", "an octave lower", lambda v: v / 2, "what steps forward now?", when=_boosts),
    _Step("freq_hz", "an octave higher", lambda v: v * 2, "what steps back now?", when=_cuts),
    _Step("freq_hz", "an octave lower", lambda v: v / 2, "what steps back now?", when=_cuts),
    _Step("freq_hz", "an octave higher", lambda v: v * 2, "is the hiss still caught?", when=_on_hiss),
    _Step("freq_hz", "an octave lower", lambda v: v / 2, "does it take more than the hiss now?", when=_on_hiss),
    _Step("order", "the steepest slope", lambda v: 8, "does it sound cleaner, or only thinner?"),
    _Step("gain_db", "the same amount the other way", lambda v: -v, "where in the voice is the change?"),
    _Step("gain_db", "twice as much", lambda v: 2 * v, "is it still the same voice?"),
    _Step("crossfade_ms", "the shortest crossfades", lambda v: 1, "does it click where a region begins or ends?"),
    _Step("crossfade_ms", "crossfades twenty times as long", lambda v: v * 20,
          "do the words beside a region move along with it?"),
    _Step("q", "three times as narrow", lambda v: v * 3, "does it still take away what you heard?", when=_cuts),
    _Step("q", "three times as narrow", lambda v: v * 3, "does one ring stand out now?", when=_boosts),
)  # fmt: skip


def scenarios_for(
    processor, source: Clip, sung: np.ndarray, goals: tuple[Goal, ...] = (), shift_s: float = 0.0
) -> tuple[Scenario, ...]:
    """Prepared steps for a stage and the clip that it is fed.

    Parameters
    ----------
    processor : processor with controls
        With the settings that the bench starts with.
    source : Clip
        What goes into the stage.
    sung : ndarray of bool, shape (frames,)
        Where somebody sings.
    goals : sequence of Goal
        What the bench asks for: a stage that is over it by far, or does nothing, starts with another threshold.
    shift_s : float
        The time at which the clip begins, where it is a part of another.

    Returns
    -------
    tuple of Scenario
        First the settings that all others start from; then one change at a time, each within what the sliders reach. A
        change is left out that the sliders have no room for, that can't be heard on this clip at matched loudness
        (``HEARD_DB``), or that does not do here what its question takes for granted.

    Raises
    ------
    ValueError
        If the processor has no controls.

    Notes
    -----
    Used by every bench (``00_start_here``).
    """
    controls = {control.field: control for control in controls_for(type(processor))}
    start = prepared(processor, source, sung, goals)
    basis = {} if start is processor else {"threshold_db": start.threshold_db}
    first = _hear(start, source, sung)
    known = first.matched
    where_s, far_db = most_different(source, known, sung)
    if far_db >= HEARD_DB:
        opening = f"Hear it once, before and after, most of all around {where_s + shift_s:.1f} s: what has changed?"
    else:
        opening = "At equal loudness before and after are alike here: does anybody hear a difference?"
    made = [Scenario("as prepared", opening, basis)]
    if not math.isfinite(integrated_lufs(source)):
        return tuple(made)
    for step in _STEPS:
        control, old = controls.get(step.field), getattr(start, step.field, None)
        if control is None or old is None or not step.when(start):
            continue
        new = step.change(old)
        if new == old or not _within(control, new):
            continue
        try:
            heard = _hear(dataclasses.replace(start, **{step.field: new}), source, sung)
        except ValueError:
            continue
        where_s, far_db = most_different(known, heard.matched, sung)
        if far_db < HEARD_DB:
            continue
        answer = ""
        if step.effect is not None:
            before, after = step.effect.of(first), step.effect.of(heard)
            if not step.effect.borne_out(before, after):
                continue
            now, then = (f"{decibels(value)} {step.effect.unit}" for value in (after, before))
            answer = f"Measured: {step.effect.label} {now}; at the first step {then}."
        question = f"Most of all around {where_s + shift_s:.1f} s: {step.question}"
        made.append(Scenario(step.name, question, {**basis, step.field: new}, answer))
    return tuple(made)


def prepared(processor, source: Clip, sung: np.ndarray, goals: tuple[Goal, ...] = ()):
    """The stage as its demonstration starts: as it is, unless it does nothing, or acts for longer than the goals allow.

    Then with another threshold (``IDLE_DB`` and below it). Used by every bench (``00_start_here``).
    """
    if isinstance(processor, DeEsser) or not hasattr(processor, "threshold_db") or not sung.any():
        return processor
    stats = _hear(processor, source, sung).stats
    longest = min((goal.high for goal in goals if goal.measure == "share_percent"), default=math.inf)
    if stats.max_db < IDLE_DB:
        targets = {"median_db": PREPARED_MEDIAN_DB}
    elif 100 * stats.share > longest:
        targets = {"share_percent": PREPARED_SHARE * longest, "max_db": PREPARED_MAX_DB}
    else:
        return processor
    thresholds_db = [threshold_for(processor, source, measure, target) for measure, target in targets.items()]
    return dataclasses.replace(processor, threshold_db=min(thresholds_db))


def most_different(first: Clip, second: Clip, sung: np.ndarray) -> tuple[float, float]:
    """Where two versions of a voice are farthest apart while it sings, and how far.

    Parameters
    ----------
    first, second : Clip
        Equally long, and equally loud.
    sung : ndarray of bool, shape (frames,)

    Returns
    -------
    where_s, difference_db : float
        The middle of the moment, and the level of the difference there against the first; −∞ where there is none, or
        where nobody sings. Used by every bench (``00_start_here``).
    """
    step = max(round(MOMENT_S * first.rate), 1)
    starts = np.arange(0, first.frames, step)
    lengths = np.diff(starts, append=first.frames)

    def per_moment(values):
        return np.add.reduceat(values * sung, starts) / lengths

    voice = per_moment(np.square(first.columns).sum(axis=1))
    difference = per_moment(np.square(second.columns - first.columns).sum(axis=1))
    heard = (per_moment(np.ones(first.frames)) > 0.5) & (voice > 0)
    if not heard.any():
        return 0.0, -math.inf
    share = np.where(heard, difference / np.where(heard, voice, 1.0), 0.0)
    place = int(np.argmax(share))
    return float((starts[place] + lengths[place] / 2) / first.rate), float(amplitude_to_db(math.sqrt(share[place])))


def _hear(processor, source: Clip, sung: np.ndarray) -> _Heard:
    return _Heard(Chain([("stage", processor)]).apply(source).stages["stage"], sung)


def _within(control, value) -> bool:
    if isinstance(control, Choice):
        return value in (option for _, option in control.options)
    return control.low <= value <= control.high
