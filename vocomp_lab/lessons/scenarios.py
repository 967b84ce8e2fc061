"""Prepared steps for a demonstration: named settings of a stage, each with one sentence on what to listen for.

Every bench has them, and presenter mode steps through them (``00_start_here``). A step is offered only if it can be
heard on this clip, and only if measurement confirms what its question assumes.
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
"""A difference below this, relative to the voice at that moment, is not offered (common practice, no source)."""
MOMENT_S = 0.1
IDLE_DB, PREPARED_MEDIAN_DB, PREPARED_SHARE, PREPARED_MAX_DB = 1.0, 3.0, 2 / 3, 2.0
"""A stage that never takes off more than `IDLE_DB` is prepared to take `PREPARED_MEDIAN_DB` half the time. One that acts
longer than its bench asks for is prepared to act for `PREPARED_SHARE` of that time, and to take at least
`PREPARED_MAX_DB` at its deepest (common practice, no source)."""


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
        The settings that differ from the bench's own, by field.
    answer : str
        What was measured, to show after the guess; may be empty.
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
    active: np.ndarray

    @property
    def matched(self) -> Clip:
        return match_loudness(self.stage.output, self.stage.source)[0]

    @property
    def stats(self):
        return reduction_stats(self.stage.reduction_db, self.active)

    @property
    def mean_db(self) -> float:
        return float(self.stage.reduction_db[self.active].mean()) if self.active.any() else 0.0


@dataclass(frozen=True)
class _Effect:
    """A number that shows whether a step does what its question assumes; it must change by `least` or more."""

    label: str
    unit: str
    of: Callable[[_Heard], float]
    least: float

    def borne_out(self, before: float, after: float) -> bool:
        return (after - before) * math.copysign(1, self.least) >= abs(self.least)


def _deeper(least):
    return _Effect("reduction (95 % of the time below this)", "dB", lambda heard: heard.stats.p95_db, least)


def _largest(least):
    return _Effect("largest reduction", "dB", lambda heard: heard.stats.max_db, least)


def _crest(least):
    return _Effect("crest factor", "dB", lambda heard: crest_factor_db(heard.stage.output, heard.active), least)


def _mean(least):
    return _Effect("average reduction while singing", "dB", lambda heard: heard.mean_db, least)


@dataclass(frozen=True)
class _Step:
    """A change to one field: the new value from the old, the question, and what must be measured for it."""

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
          "do the soft words come closer, and do the loud ones still stand out?", _deeper(1.0), _on_voice),
    _Step("threshold_db", "threshold 10 dB lower", lambda v: v - 10,
          "is the hiss gone, or does the singer begin to lisp?", _mean(0.1), _on_hiss),
    _Step("threshold_db", "threshold 6 dB higher", lambda v: v + 6,
          "which words are touched now, and which are left alone?", _deeper(-0.5), _on_voice),
    _Step("ratio", "four times the ratio", lambda v: v * 4,
          "does the voice sit more steadily, or does it sound held down?", _largest(1.0), _on_voice),
    _Step("attack_ms", "attack thirty times as slow", lambda v: v * 30,
          "what happens to the starts of the words?", _crest(0.3), _on_voice),
    _Step("attack_ms", "attack ten times faster", lambda v: v / 10, "are the consonants still crisp?", _crest(-0.3), _on_voice),
    _Step("release_ms", "release ten times faster", lambda v: v / 10,
          "do the held notes stay smooth, and do breaths and room come up?", _mean(-0.1), _on_voice),
    _Step("release_ms", "release eight times as slow", lambda v: v * 8,
          "what happens to the soft words after a loud one?", _mean(0.3), _on_voice),
    _Step("release_ms", "release eight times as slow", lambda v: v * 8,
          "what happens to the vowel after the s?", _mean(0.1), _on_hiss),
    _Step("mix", "half of it uncompressed", lambda v: 0.5 if v > 0.75 else v,
          "what comes back, and what stays just as even?"),
    _Step("mix", "only the compressed voice", lambda v: 1, "what went away with the uncompressed voice?"),
    _Step("drive_db", "12 dB more drive", lambda v: v + 12, "does the voice come closer, or get rougher?"),
    _Step("asymmetry", "the two halves of the wave bent differently", lambda v: max(v, 0.6),
          "is it a different colour, or just more of it?"),
    _Step("asymmetry", "both halves of the wave bent alike", lambda v: 0,
          "is it a different colour, or just less of it?"),
    _Step("range_db", "at most 3 dB taken off", lambda v: 3, "is the hiss of the s still too much?", _largest(-0.5)),
    _Step("freq_hz", "an octave higher", lambda v: v * 2, "what is missing now, and do you miss it?", when=_low_cut),
    _Step("freq_hz", "an octave lower", lambda v: v / 2, "is the noise back?", when=_low_cut),
    _Step("freq_hz", "an octave higher", lambda v: v * 2, "what steps forward now?", when=_boosts),
    _Step("freq_hz", "an octave lower", lambda v: v / 2, "what steps forward now?", when=_boosts),
    _Step("freq_hz", "an octave higher", lambda v: v * 2, "what steps back now?", when=_cuts),
    _Step("freq_hz", "an octave lower", lambda v: v / 2, "what steps back now?", when=_cuts),
    _Step("freq_hz", "an octave higher", lambda v: v * 2, "is the hiss still caught?", when=_on_hiss),
    _Step("freq_hz", "an octave lower", lambda v: v / 2, "does it take off more than the hiss now?", when=_on_hiss),
    _Step("order", "the steepest slope", lambda v: 8, "does it sound cleaner, or just thinner?"),
    _Step("gain_db", "the same amount the other way", lambda v: -v, "where in the voice do you hear the change?"),
    _Step("gain_db", "twice as much", lambda v: 2 * v, "is it still the same voice?"),
    _Step("crossfade_ms", "the shortest crossfades", lambda v: 1, "does it click where a region begins or ends?"),
    _Step("crossfade_ms", "crossfades twenty times longer", lambda v: v * 20,
          "do the words next to a region change, too?"),
    _Step("q", "three times narrower", lambda v: v * 3, "does it still take away what you heard?", when=_cuts),
    _Step("q", "three times narrower", lambda v: v * 3, "does one ring stand out now?", when=_boosts),
)  # fmt: skip


def scenarios_for(
    processor, source: Clip, active: np.ndarray, goals: tuple[Goal, ...] = (), shift_s: float = 0.0
) -> tuple[Scenario, ...]:
    """Prepared steps for a stage and the clip that goes into it.

    Parameters
    ----------
    processor : processor with controls
        With the settings that the bench starts with.
    source : Clip
        What goes into the stage.
    active : ndarray of bool, shape (frames,)
        Where somebody sings.
    goals : sequence of Goal
        What the bench asks for. A stage that overshoots them, or does nothing, starts with another threshold.
    shift_s : float
        Where the clip begins, if it is part of a longer one.

    Returns
    -------
    tuple of Scenario
        First the settings that all others start from, then one change at a time. A change is left out if the sliders
        can't reach it, if it can't be heard on this clip at matched loudness (``HEARD_DB``), or if it doesn't do here
        what its question assumes.

    Raises
    ------
    ValueError
        If the processor has no controls.

    Notes
    -----
    Used by every bench (``00_start_here``).
    """
    controls = {control.field: control for control in controls_for(type(processor))}
    start = prepared(processor, source, active, goals)
    basis = {} if start is processor else {"threshold_db": start.threshold_db}
    first = _hear(start, source, active)
    known = first.matched
    where_s, far_db = most_different(source, known, active)
    if far_db >= HEARD_DB:
        opening = f"Listen to before and after, especially around {where_s + shift_s:.1f} s: what has changed?"
    else:
        opening = "At equal loudness, before and after measure the same here: does anybody hear a difference?"
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
            heard = _hear(dataclasses.replace(start, **{step.field: new}), source, active)
        except ValueError:
            continue
        where_s, far_db = most_different(known, heard.matched, active)
        if far_db < HEARD_DB:
            continue
        answer = ""
        if step.effect is not None:
            before, after = step.effect.of(first), step.effect.of(heard)
            if not step.effect.borne_out(before, after):
                continue
            now, then = (f"{decibels(value)} {step.effect.unit}" for value in (after, before))
            answer = f"Measured: {step.effect.label} {now}; {then} at the first step."
        question = f"Listen around {where_s + shift_s:.1f} s: {step.question}"
        made.append(Scenario(step.name, question, {**basis, step.field: new}, answer))
    return tuple(made)


def prepared(processor, source: Clip, active: np.ndarray, goals: tuple[Goal, ...] = ()):
    """The stage as its demonstration starts: unchanged, unless it does nothing or acts longer than the goals allow.

    Then with another threshold (``IDLE_DB`` and below it). Used by every bench (``00_start_here``).
    """
    if isinstance(processor, DeEsser) or not hasattr(processor, "threshold_db") or not active.any():
        return processor
    stats = _hear(processor, source, active).stats
    longest = min((goal.high for goal in goals if goal.measure == "share_percent"), default=math.inf)
    if stats.max_db < IDLE_DB:
        targets = {"median_db": PREPARED_MEDIAN_DB}
    elif 100 * stats.share > longest:
        targets = {"share_percent": PREPARED_SHARE * longest, "max_db": PREPARED_MAX_DB}
    else:
        return processor
    thresholds_db = [threshold_for(processor, source, measure, target) for measure, target in targets.items()]
    return dataclasses.replace(processor, threshold_db=min(thresholds_db))


def most_different(first: Clip, second: Clip, active: np.ndarray) -> tuple[float, float]:
    """Where two versions of a voice differ most while it sings, and by how much.

    Parameters
    ----------
    first, second : Clip
        Equally long, and equally loud.
    active : ndarray of bool, shape (frames,)

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
        return np.add.reduceat(values * active, starts) / lengths

    voice = per_moment(np.square(first.columns).sum(axis=1))
    difference = per_moment(np.square(second.columns - first.columns).sum(axis=1))
    heard = (per_moment(np.ones(first.frames)) > 0.5) & (voice > 0)
    if not heard.any():
        return 0.0, -math.inf
    share = np.where(heard, difference / np.where(heard, voice, 1.0), 0.0)
    place = int(np.argmax(share))
    return float((starts[place] + lengths[place] / 2) / first.rate), float(amplitude_to_db(math.sqrt(share[place])))


def _hear(processor, source: Clip, active: np.ndarray) -> _Heard:
    return _Heard(Chain([("stage", processor)]).apply(source).stages["stage"], active)


def _within(control, value) -> bool:
    if isinstance(control, Choice):
        return value in (option for _, option in control.options)
    return control.low <= value <= control.high
