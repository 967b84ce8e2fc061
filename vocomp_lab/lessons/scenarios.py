"""Prepared steps for a demonstration: named settings of a stage, each with one question, and what a class can answer.

Every bench has them, and presenter mode steps through them (``00_start_here``). A step is offered only if it is heard on
this clip, and only if measurement confirms what its question assumes. The rule is :func:`is_heard` and ``LEAST_DB``.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from vocomp_lab.analysis.audible import Difference, HeardLevels, heard_levels, largest_difference
from vocomp_lab.analysis.listening import match_gain_db
from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.measures import MEASURES, ROUNDING, Change, ClipNumbers, Goal, clip_numbers, window_text
from vocomp_lab.analysis.meters import reduction_stats
from vocomp_lab.analysis.thresholds import LOWEST_THRESHOLD_DB, THRESHOLD_STEP_DB, threshold_for
from vocomp_lab.lessons.controls import Choice, Control, controls_for
from vocomp_lab.lessons.tally import Tally
from vocomp_lab.processors.chain import Chain, StageResult
from vocomp_lab.processors.clip_gain import ClipGain
from vocomp_lab.processors.deesser import DeEsser
from vocomp_lab.processors.filters import HighPass, HighShelf, LowShelf, Peaking
from vocomp_lab.processors.gain import Gain
from vocomp_lab.processors.rides import FaderRide
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import crest_factor_db, sample_peak_dbfs
from vocomp_lab.sound.text import decibels, minus

HEARD_DB = 1.5
"""A step is offered only if, at equal loudness, the level of a third of an octave differs by so much at one moment at
least, or that of the whole voice for 25 ms: half as much again as is just heard, since a class listens over loudspeakers (common
practice, no source)."""
LEAST_DB = 1.0
"""A number that bears out a question must change by so much at least. So whole decibels tell the answers apart."""
MARGIN_DB, MARGIN_PERCENT = 0.2, 1.0
"""What is well set lies so far within its goals, so that rounding doesn't hide whether they are met."""
IDLE_DB, PREPARED_MEDIAN_DB, PREPARED_SHARE, PREPARED_MAX_DB = 1.0, 3.0, 2 / 3, 2.0
"""A stage that never takes off more than `IDLE_DB`, or acts longer than its bench asks for, is prepared: so that it meets
the goals if a threshold can do that. Otherwise an idle one takes `PREPARED_MEDIAN_DB` half the time, and one that acts too
long does so for `PREPARED_SHARE` of the time allowed and takes at least `PREPARED_MAX_DB` at its deepest (common practice,
no source)."""

BEFORE_OR_AFTER = ("before", "after", "no difference")


@dataclass(frozen=True)
class Scenario:
    """One step of a demonstration.

    Parameters
    ----------
    name : str
        What is done, in a few words.
    listen_for : str
        One question for the class, where to listen included. It doesn't tell its answer.
    settings : dict
        The settings that differ from the bench's own, by field.
    answer : str
        What was measured, to show after the guess; may be empty.
    answers : sequence of str
        What the class can answer to that question: two to six, without commas. None leaves those in the tally as they are.
    """

    name: str
    listen_for: str
    settings: dict = field(default_factory=dict)
    answer: str = ""
    answers: tuple[str, ...] = ()

    def __post_init__(self):
        for part in ("name", "listen_for"):
            value = getattr(self, part)
            if not isinstance(value, str) or not value.strip():
                raise ValueError(f"{part}: {value!r} is not allowed; give a text that is not empty.")
        if self.listen_for.count("?") > 1:
            raise ValueError(f"listen_for: {self.listen_for!r} asks more than once; give one question.")
        if not isinstance(self.settings, dict):
            raise ValueError(f"settings: {type(self.settings).__name__} is not allowed; give settings by field.")
        if not isinstance(self.answer, str):
            raise ValueError(f"answer: {self.answer!r} is not allowed; give a text.")
        if isinstance(self.answers, str) or not all(isinstance(answer, str) for answer in self.answers):
            raise ValueError(f"answers: {self.answers!r} is not allowed; give a list of texts.")
        if len(self.answers) == 1 or any("," in answer for answer in self.answers):
            raise ValueError(f"answers: {', '.join(self.answers)!r} is not allowed; give two or more, without commas.")
        object.__setattr__(self, "answers", Tally(self.answers).answers if self.answers else ())


@dataclass(frozen=True, eq=False)
class _Heard:
    """A stage's result, and what it sounds like at the loudness of what went in. Each number is measured when asked for."""

    stage: StageResult
    active: np.ndarray
    before: ClipNumbers

    @cached_property
    def loudness_lufs(self) -> float:
        return integrated_lufs(self.stage.output)

    @cached_property
    def matched(self) -> HeardLevels:
        levels = heard_levels(self.stage.output, self.active)
        return levels.gained(match_gain_db(self.loudness_lufs, self.before.loudness_lufs))

    @cached_property
    def stats(self):
        return reduction_stats(self.stage.reduction_db, self.active)

    @cached_property
    def crest_db(self) -> float:
        return crest_factor_db(self.stage.output, self.active)

    @property
    def mean_db(self) -> float:
        return float(self.stage.reduction_db[self.active].mean()) if self.active.any() else 0.0

    @property
    def change(self) -> Change:
        after = ClipNumbers(self.loudness_lufs, self.crest_db, sample_peak_dbfs(self.stage.output))
        return Change(self.before, after, None if self.stage.reduction_db is None else self.stats, self.stage)


@dataclass(frozen=True)
class _Effect:
    """A number that shows whether a step does what its question assumes: what it is called, and which way it must go."""

    label: str
    of: Callable[[_Heard], float]
    rises: bool = True
    least: float = LEAST_DB
    unit: str = "dB"
    by_itself: bool = True
    """Whether the number says something by itself, and not only how far it has gone up or down."""

    def borne_out(self, before: float, after: float) -> bool:
        return (after - before if self.rises else before - after) >= self.least

    def told(self, before: float, after: float) -> str:
        if self.by_itself:
            return (
                f"Measured: {self.label} {_whole(after)} {self.unit}; {_whole(before)} {self.unit} at the first step."
            )
        return (
            f"Measured: {_whole(abs(after - before))} {self.unit} {'more' if after > before else 'less'} {self.label}."
        )


def _whole(value: float) -> str:
    """A number as a teacher says it: halves are rounded up, so that numbers that are 1 apart stay apart."""
    return decibels(math.floor(value + 0.5), 0)


def _both_ways(*made, **options) -> tuple[_Effect, _Effect]:
    return _Effect(*made, rises=True, **options), _Effect(*made, rises=False, **options)


_DEEPER, _SHALLOWER = _both_ways("95 % of the time the reduction is at most about", lambda heard: heard.stats.p95_db)
_MORE, _LESS = _both_ways("on average, while the voice sings, the reduction is about", lambda heard: heard.mean_db)
_SPIKIER, _ROUNDER = _both_ways("the peaks stand out by about", lambda heard: heard.crest_db)
_DEEPEST, _CAPPED = _both_ways("the reduction is at most about", lambda heard: heard.stats.max_db)
_OFTENER = _Effect("of the sung time, it acts in about", lambda heard: 100 * heard.stats.share, least=5, unit="%")
_LIVELIER, _FLATTER = _both_ways("loud and soft moments lie apart by about", lambda heard: heard.matched.spread_db)
_THINNER = _Effect("between 80 and 250 Hz", lambda heard: heard.matched.mean_db(80, 250), False, by_itself=False)
_FROM_BELOW, _LESS_FROM_BELOW = _both_ways(
    "below 80 Hz", lambda heard: heard.matched.mean_db(50, 80), least=3, by_itself=False
)


@dataclass(frozen=True)
class _Step:
    """A change to one field: the new value from the old, the question, its answers, and what must be measured for it."""

    field: str
    name: str
    change: Callable
    question: str
    answers: tuple[str, ...]
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
_YES_OR_NO = ("yes", "no", "not sure")
_WHICH_WAY = ("something lower", "something higher", "no difference")
# Common practice, no source.
_STEPS = (
    _Step("threshold_db", "threshold 10 dB lower", lambda v: v - 10,
          "are the soft words nearer or farther now?", ("nearer", "farther", "no difference"), _DEEPER, _on_voice),
    _Step("threshold_db", "threshold 10 dB lower", lambda v: v - 10,
          "how does the s sound now?", ("softer", "like a lisp", "no difference"), _OFTENER, _on_hiss),
    _Step("threshold_db", "threshold 6 dB higher", lambda v: v + 6,
          "do the loud words stand out more or less now?", ("more", "less", "no difference"), _SHALLOWER, _on_voice),
    _Step("ratio", "four times the ratio", lambda v: v * 4,
          "does the voice sound steadier or held down?", ("steadier", "held down", "no difference"), _DEEPEST, _on_voice),
    _Step("attack_ms", "attack thirty times as slow", lambda v: v * 30,
          "do the words start harder or softer now?", ("harder", "softer", "no difference"), _SPIKIER, _on_voice),
    _Step("attack_ms", "attack ten times faster", lambda v: v / 10,
          "are the consonants crisper or duller now?", ("crisper", "duller", "no difference"), _ROUNDER, _on_voice),
    _Step("release_ms", "release ten times faster", lambda v: v / 10,
          "do the held notes sound smooth or rough now?", ("smooth", "rough", "no difference"), _LESS, _on_voice),
    _Step("release_ms", "release eight times as slow", lambda v: v * 8,
          "is what follows a loud word softer or louder now?", ("softer", "louder", "no difference"), _MORE, _on_voice),
    _Step("release_ms", "release eight times as slow", lambda v: v * 8,
          "is the vowel after the s duller or brighter now?", ("duller", "brighter", "no difference"), _OFTENER, _on_hiss),
    _Step("mix", "half of it uncompressed", lambda v: 0.5 if v > 0.75 else v,
          "does the voice sound livelier or flatter now?", ("livelier", "flatter", "no difference"), _LIVELIER),
    _Step("mix", "only the compressed voice", lambda v: 1,
          "does the voice sound livelier or flatter now?", ("livelier", "flatter", "no difference"), _FLATTER),
    _Step("drive_db", "12 dB more drive", lambda v: v + 12,
          "does the voice come nearer or get rougher?", ("nearer", "rougher", "no difference")),
    _Step("asymmetry", "the two halves of the wave bent differently", lambda v: max(v, 0.6),
          "is it another colour or just more of it?", ("another colour", "more of it", "no difference")),
    _Step("asymmetry", "both halves of the wave bent alike", lambda v: 0,
          "is it another colour or just less of it?", ("another colour", "less of it", "no difference")),
    _Step("range_db", "at most 2 dB taken off", lambda v: 2,
          "how much hiss is left in the s?", ("too much", "as it should be", "too little"), _CAPPED),
    _Step("freq_hz", "an octave higher", lambda v: v * 2,
          "do you hear more or less from below the voice now?", ("more", "less", "no difference"), _LESS_FROM_BELOW, _low_cut),
    _Step("freq_hz", "two octaves higher", lambda v: v * 4,
          "does the voice sound thinner or fuller now?", ("thinner", "fuller", "no difference"), _THINNER, _low_cut),
    _Step("freq_hz", "an octave lower", lambda v: v / 2,
          "do you hear more or less from below the voice now?", ("more", "less", "no difference"), _FROM_BELOW, _low_cut),
    _Step("freq_hz", "an octave higher", lambda v: v * 2, "what steps forward now?", _WHICH_WAY, when=_boosts),
    _Step("freq_hz", "an octave lower", lambda v: v / 2, "what steps forward now?", _WHICH_WAY, when=_boosts),
    _Step("freq_hz", "an octave higher", lambda v: v * 2, "what steps back now?", _WHICH_WAY, when=_cuts),
    _Step("freq_hz", "an octave lower", lambda v: v / 2, "what steps back now?", _WHICH_WAY, when=_cuts),
    _Step("freq_hz", "an octave higher", lambda v: v * 2,
          "how much of the hiss is still caught?", ("all of it", "part of it", "none"), _CAPPED, _on_hiss),
    _Step("freq_hz", "an octave lower", lambda v: v / 2,
          "what is taken off now?", ("only hiss", "more than hiss", "nothing"), when=_on_hiss),
    _Step("order", "the steepest slope", lambda v: 8,
          "does the voice sound cleaner or thinner now?", ("cleaner", "thinner", "no difference"), _LESS_FROM_BELOW),
    _Step("gain_db", "the same amount the other way", lambda v: -v,
          "where in the voice do you hear the change?", ("low", "in the middle", "high", "nowhere"), when=_is(_BELLS)),
    _Step("gain_db", "twice as much", lambda v: 2 * v,
          "does it still sound like the same singer?", _YES_OR_NO, when=_is(_BELLS)),
    _Step("crossfade_ms", "the shortest crossfades", lambda v: 1, "does the edge of a region click?", _YES_OR_NO),
    _Step("crossfade_ms", "crossfades twenty times longer", lambda v: v * 20,
          "do the words next to a region change?", _YES_OR_NO),
    _Step("q", "three times narrower", lambda v: v * 3,
          "does it take away more or less now?", ("more", "less", "no difference"), when=_cuts),
    _Step("q", "three times narrower", lambda v: v * 3, "does one ring stand out now?", _YES_OR_NO, when=_boosts),
)  # fmt: skip


def scenarios_for(
    processor,
    source: Clip,
    active: np.ndarray,
    goals: tuple[Goal, ...] = (),
    shift_s: float = 0.0,
    *,
    match: bool = True,
    then: tuple = (),
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
    match : bool
        Whether the bench plays "after" as loud as "before".
    then : sequence of processors
        The stages after it, as far as the one that the bench watches instead: goals are about that one.

    Returns
    -------
    tuple of Scenario
        First the settings that all others start from, then one change at a time. A change is left out if the sliders
        can't reach it, if it can't be heard on this clip (:func:`is_heard`), if it doesn't do here what its question
        assumes (``LEAST_DB``). One that misses a goal says so in its answer.

    Raises
    ------
    ValueError
        If the processor has no controls.

    Notes
    -----
    Used by every bench (``00_start_here``). A gain has steps of its own: at equal loudness there is nothing to hear.
    """
    controls = {control.field: control for control in controls_for(type(processor))}
    if isinstance(processor, Gain) and math.isfinite(integrated_lufs(source)):
        if not then:
            return _gain_steps(processor, source, match)
        if goals and len(then) == 1 and _turns(then[0]) and not isinstance(then[0], (ClipGain, FaderRide, DeEsser)):
            return _trim_steps(processor, source, active, goals, then[0], controls["gain_db"])
    start = prepared(processor, source, active, goals)
    basis = {name: value for name, value in vars(start).items() if value != getattr(processor, name)}
    before = clip_numbers(source, active)
    first = _hear(start, source, active, before)
    made = [_opening(first, basis, goals, shift_s)]
    at_first = _missed(goals, first.change) if goals else ""
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
            heard = _hear(dataclasses.replace(start, **{step.field: new}), source, active, before)
        except ValueError:
            continue
        difference = largest_difference(first.matched, heard.matched, step.field not in _COLOURING and _turns(start))
        if not is_heard(difference):
            continue
        answer = _told(difference)
        if step.field == "freq_hz" and isinstance(start, _BELLS):
            answer = f"Measured: it acts around {_spoken_hz(new)} now, around {_spoken_hz(old)} at the first step."
        if step.effect is not None:
            from_to = step.effect.of(first), step.effect.of(heard)
            if not step.effect.borne_out(*from_to):
                continue
            answer = step.effect.told(*from_to)
        if goals:
            missed = _missed(goals, heard.change)
            answer += " Like the first step, it misses goals on purpose." if missed and at_first else missed
        question = f"Listen around {difference.where_s + shift_s:.1f} s: {step.question}"
        made.append(Scenario(step.name, question, {**basis, step.field: new}, answer, step.answers))
    return tuple(made)


def is_heard(difference: Difference) -> bool:
    """Whether a class hears the difference between two settings at equal loudness: the rule for prepared steps.

    Parameters
    ----------
    difference : Difference
        From :func:`~vocomp_lab.analysis.audible.largest_difference`.

    Notes
    -----
    Used by every bench (``00_start_here``).
    """
    return abs(difference.change_db) >= HEARD_DB


_COLOURING = ("drive_db", "asymmetry")


def _turns(processor) -> bool:
    """Whether a stage turns the whole voice up and down. What others do is looked for in bands."""
    return hasattr(processor, "threshold_db") or isinstance(processor, (ClipGain, FaderRide))


def _told(difference: Difference) -> str:
    """A difference as an answer."""
    by, more = _whole(abs(difference.change_db)), difference.change_db > 0
    if difference.band_hz is None:
        return f"Measured: at that moment, the voice is {by} dB {'louder' if more else 'softer'}."
    return f"Measured: at that moment, {by} dB {'more' if more else 'less'} around {_spoken_hz(difference.band_hz)}."


def _spoken_hz(hz: float) -> str:
    """A frequency as people say it, with two figures."""
    hz = float(f"{hz:.2g}")
    return f"{hz / 1000:g} kHz" if hz >= 1000 else f"{hz:g} Hz"


def _opening(first: _Heard, basis: dict, goals, shift_s: float) -> Scenario:
    """The step that the others start from: before against after."""
    source = heard_levels(first.stage.source, first.active)
    difference = largest_difference(source, first.matched, _turns(first.stage.processor))
    asked = "how clear is the difference between before and after?"
    if is_heard(difference):
        question, answer = f"Listen around {difference.where_s + shift_s:.1f} s: {asked}", _told(difference)
    else:
        question = f"At equal loudness, before and after measure nearly the same here: {asked}"
        answer = f"Measured: no part of the voice changes by {HEARD_DB:g} dB."
    if first.stage.reduction_db is not None:
        stats = first.stats
        answer = (
            f"Measured: it acts in {_percent(stats.share)} % of the sung time, by {_whole(stats.max_db)} dB at most."
        )
    answer += _missed(goals, first.change) if goals else ""
    return Scenario("as prepared", question, basis, answer, ("clear", "slight", "none"))


def _percent(share: float) -> str:
    return f"{math.floor(100 * share + 0.5)}"


# ---- goals ----------------------------------------------------------------------------------------------------------


def _margin(goal: Goal) -> float:
    return MARGIN_PERCENT if MEASURES[goal.measure].unit.startswith("%") else MARGIN_DB


def _outside(goal: Goal, change: Change) -> float:
    """How far a number is outside its goal; negative inside, and −∞ where the stage has no such number."""
    value = goal.value(change)
    return -math.inf if math.isnan(value) else max(goal.low - value, value - goal.high)


def well_set(goals: tuple[Goal, ...], change: Change) -> bool:
    """Whether all goals are met by a margin that survives rounding (``MARGIN_DB``, ``MARGIN_PERCENT``).

    Used by every bench (``00_start_here``).
    """
    # In a window that is narrower than two margins the middle is well set.
    return all(_outside(goal, change) <= -min(_margin(goal), (goal.high - goal.low) / 4) for goal in goals)


def _missed(goals, change: Change) -> str:
    """A sentence that names the goals that a step misses on purpose; empty if it meets all."""
    missed = [_miss(goal, goal.value(change)) for goal in goals if _outside(goal, change) > ROUNDING]
    if not missed:
        return ""
    return f" It misses {'a goal' if len(missed) == 1 else 'goals'} on purpose: {'; '.join(missed)}."


def _miss(goal: Goal, value: float) -> str:
    measure = MEASURES[goal.measure]
    unit = measure.unit.partition(" ")[0]
    window = window_text(goal.low, goal.high, unit)
    digits = next(n for n in range(7) if not goal.low <= round(value, n) <= goal.high)  # rounded, it is still a miss
    return f"{measure.label} {decibels(value, digits)} {unit} (goal: {window})"


def prepared(processor, source: Clip, active: np.ndarray, goals: tuple[Goal, ...] = ()):
    """The stage as its demonstration starts: unchanged, unless it does nothing or acts longer than the goals allow.

    Then with another threshold, and where a goal is about loudness with another make-up gain (``IDLE_DB`` and below it).
    Used by every bench (``00_start_here``).
    """
    if isinstance(processor, DeEsser) or not hasattr(processor, "threshold_db") or not active.any():
        return processor
    before = clip_numbers(source, active)
    stats = _hear(processor, source, active, before).stats
    longest = min((goal.high for goal in goals if goal.measure == "share_percent"), default=math.inf)
    if stats.max_db >= IDLE_DB and 100 * stats.share <= longest:
        return processor
    fitted = _fitted(processor, source, active, before, goals) if goals else None
    if fitted is not None:
        return fitted
    if stats.max_db < IDLE_DB:
        targets = {"median_db": PREPARED_MEDIAN_DB}
    else:
        targets = {"share_percent": PREPARED_SHARE * longest, "max_db": PREPARED_MAX_DB}
    thresholds_db = [threshold_for(processor, source, measure, target) for measure, target in targets.items()]
    return dataclasses.replace(processor, threshold_db=min(thresholds_db))


def _fitted(processor, source: Clip, active: np.ndarray, before: ClipNumbers, goals):
    """The stage with the threshold in the middle of those that meet all goals well; None if none does."""
    lowest_db, highest_db = LOWEST_THRESHOLD_DB, 0.0
    for goal in goals:
        if goal.measure not in ("share_percent", "median_db", "p95_db", "max_db"):
            continue
        margin = min(_margin(goal), (goal.high - goal.low) / 4)
        if math.isfinite(goal.low):
            highest_db = min(highest_db, threshold_for(processor, source, goal.measure, goal.low + margin))
        if math.isfinite(goal.high):
            too_low_db = threshold_for(processor, source, goal.measure, goal.high - margin)
            lowest_db = max(lowest_db, too_low_db + THRESHOLD_STEP_DB)
    if lowest_db > highest_db:
        return None
    steps = round((lowest_db + highest_db) / 2 / THRESHOLD_STEP_DB)
    fitted = dataclasses.replace(processor, threshold_db=steps * THRESHOLD_STEP_DB)
    change = _hear(fitted, source, active, before).change
    for goal in goals:
        if goal.measure == "loudness_change_lu" and _outside(goal, change) > 0:
            aim_lu = (goal.low + goal.high) / 2 if math.isfinite(goal.low + goal.high) else 0.0
            makeup_db = round(fitted.makeup_db + aim_lu - goal.value(change), 1)
            fitted = dataclasses.replace(fitted, makeup_db=makeup_db)
            change = _hear(fitted, source, active, before).change
    return fitted if well_set(goals, change) else None


# ---- a gain ---------------------------------------------------------------------------------------------------------

QUIETER_DB, SOFTER_DB = 6.0, 12.0
TOO_FAR_DB = 10.0
"""How far from the right trim a compressor is shown that gets too much, or too little."""


def _gain_steps(processor: Gain, source: Clip, match: bool) -> tuple[Scenario, ...]:
    """Steps for a gain by itself: louder seems better, and peak and loudness move together."""
    now_db = processor.gain_db
    peak_dbfs, loudness_lufs = sample_peak_dbfs(source) + now_db, integrated_lufs(source) + now_db
    apart = f"peak {_whole(peak_dbfs)} dBFS, loudness {_whole(loudness_lufs)} LUFS"
    if not match:
        half_db = now_db / 2
        which = "Close your eyes: which one sounds better?"
        steps = [
            Scenario("as prepared", which, {}, _same_sound(now_db), BEFORE_OR_AFTER),
            Scenario(minus(f"{half_db:+g} dB"), which, {"gain_db": half_db}, _same_sound(half_db), BEFORE_OR_AFTER),
            Scenario("no gain at all", which, {"gain_db": 0.0}, _same_sound(0.0), BEFORE_OR_AFTER),
        ]
        return tuple(steps) if now_db else tuple(steps[-1:])
    far = math.floor(peak_dbfs - loudness_lufs + 0.5)
    # The right one is not always in the same place.
    lowest = max(far - 6 * (1 + far % 2), far % 6)
    choices = tuple(f"about {lowest + 6 * place} dB" for place in range(4))
    question = "Listen to after: how far do its peaks stand above its loudness?"
    softer = f"Measured: both went down by {SOFTER_DB:.0f} dB, so they are still about {far} dB apart."
    return (
        Scenario("as prepared", question, {}, f"Measured: {apart}, about {far} dB apart.", choices),
        Scenario(
            f"{QUIETER_DB:.0f} dB softer",
            "Switch off “after as loud as before”: which one sounds better?",
            {"gain_db": now_db - QUIETER_DB},
            _same_sound(now_db - QUIETER_DB),
            BEFORE_OR_AFTER,
        ),
        Scenario(
            f"{SOFTER_DB:.0f} dB softer",
            "Leave the matching off: how far do the peaks stand above the loudness now?",
            {"gain_db": now_db - SOFTER_DB},
            softer,
            ("farther than before", "less far", "just as far"),
        ),
    )


def _same_sound(gain_db: float) -> str:
    if gain_db == 0:
        return "Measured: the same sound at the same loudness."
    return f"Measured: the same sound, {abs(gain_db):g} dB {'louder' if gain_db > 0 else 'softer'} after."


def _trim_steps(
    processor: Gain, source: Clip, active: np.ndarray, goals, then, control: Control
) -> tuple[Scenario, ...]:
    """Steps for a trim in front of a compressor with goals: as it is, far off on the other side, and right."""

    def step(name, gain_db):
        heard_in = source.gained(gain_db)
        heard = _hear(then, heard_in, active, clip_numbers(heard_in, active))
        acts = f"Measured: the compressor acts in {_percent(heard.stats.share)} % of the sung time"
        answer = f"{acts}, by {_whole(heard.stats.max_db)} dB at most.{_missed(goals, heard.change)}"
        question = "Compare before and after: how much does the compressor take away?"
        settings = {} if gain_db == processor.gain_db else {"gain_db": gain_db}
        return Scenario(name, question, settings, answer, ("too much", "the right amount", "too little"))

    now_db = processor.gain_db
    heard_in = source.gained(now_db)
    fitted = _fitted(then, heard_in, active, clip_numbers(heard_in, active), goals)
    gains_db = []
    if fitted is not None and fitted.threshold_db != then.threshold_db:
        # Only the distance from level to threshold counts: what a threshold would do, the trim does.
        right_db = now_db + then.threshold_db - fitted.threshold_db
        gains_db = [right_db + math.copysign(TOO_FAR_DB, right_db - now_db), right_db]
    others = [step(minus(f"trim {gain_db:+g} dB"), gain_db) for gain_db in gains_db if _within(control, gain_db)]
    return (step("as prepared", now_db), *others)


def _hear(processor, source: Clip, active: np.ndarray, before: ClipNumbers) -> _Heard:
    return _Heard(Chain([("stage", processor)]).apply(source).stages["stage"], active, before)


def _within(control, value) -> bool:
    if isinstance(control, Choice):
        return value in (option for _, option in control.options)
    return control.low <= value <= control.high
