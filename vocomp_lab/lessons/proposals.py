"""Starting settings for each stage, worked out from what a clip measures, each with its reason.

A student who skips a lesson starts from them, and ``09_your_own_vocal`` proposes them for the student's own voice.
Every target here is common practice, no source, unless a source is named beside it.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from dataclasses import dataclass

import numpy as np

from vocomp_lab.analysis.harm import HISS_PERCENT, PEAKS_DB, measure_harm
from vocomp_lab.analysis.level_prep import find_uneven, propose_regions
from vocomp_lab.analysis.listening import match_gain_db
from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.lowcut import fit_low_cut
from vocomp_lab.analysis.lowend import measure_low_end
from vocomp_lab.analysis.measures import stage_change
from vocomp_lab.analysis.meters import (
    ReductionStats, active_mask, active_rms_dbfs, noise_floor_dbfs, peak_to_loudness_ratio_db, reduction_stats,
)  # fmt: skip
from vocomp_lab.analysis.resonance import LEAST_RING_DB, suspect_rings
from vocomp_lab.analysis.rides import propose_ride
from vocomp_lab.analysis.sibilants import SHARP_DB, find_sibilants, hiss_begins_hz, hiss_level_db, measure_sibilance
from vocomp_lab.analysis.thresholds import THRESHOLD_STEP_DB, stats_with, threshold_for
from vocomp_lab.lessons.goals import (
    GOALS,
    PEAKS_MAX_DB,
    PEAKS_MOST_PERCENT,
    STEADY_SHARE_PERCENT,
    STEADY_WINDOW_DB,
    check_chain,
)
from vocomp_lab.lessons.styles import Start, Style, goals_for, style_named
from vocomp_lab.processors.chain import A_RESULT, Chain, ChainResult, StageResult
from vocomp_lab.processors.clip_gain import ClipGain
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.deesser import DeEsser
from vocomp_lab.processors.gain import Gain
from vocomp_lab.sound.audio import A_CLIP, Clip
from vocomp_lab.sound.checks import Each, Of, OrNone, asks, check_choice
from vocomp_lab.sound.levels import sample_peak_dbfs
from vocomp_lab.sound.remembered import remembered
from vocomp_lab.sound.text import decibels

NOBODY_SINGS = "Nobody sings in this clip."
_CARDS_SAY = "Common practice, no source."
TASTE = "A matter of taste: nothing measured calls for it. See lesson {lesson}."


# The level at which compressors expect a voice, and how near to it is near enough.
VOICE_RMS_DBFS, VOICE_PEAK_DBFS, NEAR_ENOUGH_DB = -20.0, -6.0, 3.0


# Whole numbers of 16 bits that were saved as floats, without scaling, are 90 dB too loud.
MOST_TRIM_DB = 60.0


# Only part of a ring is cut, and never by much (``03_filtering`` begins with three quarters, and leaves the rest to the ear).
# The body of a voice is below 300 Hz.
RING_SHARE, MOST_CUT_DB, BODY_HZ = 0.85, 6.0, (100.0, 300.0)


# How much the de-esser takes off the louder s sounds, and how many of them there must be: one or two may be anything.
TAKEN_OFF_DB, FEWEST_S = 4.0, 3
# Up to 2 dB higher where it would act more often than its goal allows.
_CALM_STEPS = 4
# Where a de-esser may begin to listen, in steps: low voices hiss from 4.5 to 6.5 kHz, high ones from 6 to 9.
FROM_HZ, FROM_STEP_HZ, _HIGHEST_OF_RATE = (4_500.0, 9_000.0), 500.0, 0.4
PEAKS_SHARE_PERCENT, STEADY_MEDIAN_DB = 10.0, 3.0
_PEAKS_RATIOS = (3.0, 4.0, 6.0, 8.0, 2.0, 1.5)
_STEADY_WAYS = ({"ratio": 2.5, "knee_db": 6.0}, {"ratio": 2.0, "knee_db": 12.0}, {"ratio": 1.7, "knee_db": 18.0})
# The slowest attack that doesn't make the peaks stand out more than in the raw take is used.
_STEADY_ATTACKS_MS = (10.0, 5.0, 2.0, 1.0)
_STEADY_RELEASES_MS = (130.0, 90.0)
# The first of the quick ones that only tames the peaks (its goals, on this voice) and doesn't flatten them.
_PEAKS_ATTACK_MS, _PEAKS_QUICK_MS = 1.0, (0.2, 0.3, 0.5)
STYLED = ("peaks", "steady")
"""The stages that a style's card speaks of."""
_NAMED = 2
_WITH_GOALS = " or ".join(", ".join(f"“{name}”" for name in names) for names in (list(GOALS)[:-1], list(GOALS)[-1:]))
_SIDES = {"quiet phrase": "below the other phrases", "loud word": "above the words around it"}
_LONGEST_HEARD_S, _PIECE_S = 60.0, 10.0


@dataclass(frozen=True)
class Proposal:
    """A proposed stage, and why it is proposed.

    Attributes
    ----------
    stage : str
        One of ``STAGES``.
    processor : processor or None
        None where the clip doesn't need the stage.
    reason : str
        A few sentences, with the numbers behind it.
    """

    stage: str
    processor: object | None
    reason: str

    def __str__(self):
        return f"{self.stage}: {'none' if self.processor is None else type(self.processor).__name__}. {self.reason}"


def propose_trim(clip: Clip) -> Proposal:
    """A gain that brings the clip to the level compressors expect; see ``01_levels_and_meters``."""
    active = active_mask(clip)
    if not active.any():
        return Proposal("trim", None, NOBODY_SINGS)
    rms, peak = active_rms_dbfs(clip, active), sample_peak_dbfs(clip)
    found = f"The voice is at {decibels(rms)} dBFS RMS while it sings, and peaks at {decibels(peak)} dBFS"
    gain_db = round(2 * min(VOICE_RMS_DBFS - rms, VOICE_PEAK_DBFS - peak)) / 2
    if abs(gain_db) < NEAR_ENOUGH_DB:
        return Proposal(
            "trim", None, f"{found}. That is close enough to the −20 and −6 that thresholds are usually set for."
        )
    if abs(gain_db) > MOST_TRIM_DB:
        return Proposal("trim", None, f"{found}. No microphone gives that; check how the file was saved.")
    ceiling = VOICE_RMS_DBFS - rms > VOICE_PEAK_DBFS - peak
    aim = "its peaks to −6 dBFS" if ceiling else "it to −20 dBFS RMS"
    noise = noise_floor_dbfs(clip, active)
    lifted = ""
    if gain_db > 0 and noise > -120:
        lifted = f" The noise in the pauses comes up too, to {decibels(noise + gain_db)} dBFS."
    return Proposal("trim", Gain(gain_db), f"{found}. {decibels(gain_db, sign=True)} dB brings {aim}.{lifted}")


def propose_level_prep(clip: Clip) -> Proposal:
    """Gain regions for what stands out; see ``02_level_prep``."""
    uneven = find_uneven(clip)
    if not uneven:
        return Proposal(
            "level prep",
            None,
            "No word or phrase stands out from those around it, so there is nothing to level by hand.",
        )
    told = "; ".join(  # those that stand out most
        f"the {one.kind} at {one.start_s:.1f} s is {decibels(abs(one.off_lu))} LU {_SIDES[one.kind]}"
        for one in sorted(uneven, key=lambda one: -abs(one.off_lu))[:_NAMED]
    )
    told += f"; and {len(uneven) - _NAMED} more" if len(uneven) > _NAMED else ""
    return Proposal(
        "level prep",
        ClipGain(tuple(propose_regions(clip))),
        f"{told[0].upper()}{told[1:]}. The gains take back nine tenths of that; check by ear whether it was meant.",
    )


def propose_low_cut(clip: Clip) -> Proposal:
    """A high-pass that takes out pops and rumble, as low as it can be; see ``03_filtering``."""
    low = measure_low_end(clip)
    if low is None:
        return Proposal("low cut", None, NOBODY_SINGS)
    fitted = fit_low_cut(clip, low)
    if fitted is None:
        return Proposal("low cut", None, f"Below {low.border_hz:.0f} Hz there is nothing for a compressor to react to.")
    cut, found, left = fitted.processor, [], []
    if fitted.pops:
        before_db, after_db = (decibels(extra) for extra in fitted.extra_db)
        found.append(f"the strongest pop adds {before_db} dB to what a compressor takes off")
        left.append(f"leaves {after_db} dB of what pops add")
    if low.rumbles:
        found.append(f"rumble lies {_against_voice(fitted.steady_db[0])}")
        left.append(f"brings the rumble to {_against_voice(fitted.steady_db[1])}")
    if fitted.cost_db is not None:
        left.append(f"takes {decibels(fitted.cost_db)} dB off the lowest notes, near {low.pitch.low_hz:.0f} Hz")
    why = " and ".join(found)
    reason = f"{why[0].upper()}{why[1:]}. {cut.freq_hz:.0f} Hz at {6 * cut.order} dB per octave {_listed(left)}."
    if not fitted.enough:
        reason += " No cut up to 120 Hz that spares the notes takes out more: turn down by hand the pops that are left."
    return Proposal("low cut", cut, reason)


def _listed(parts: list[str]) -> str:
    return " and ".join([", ".join(parts[:-1])] * (len(parts) > 1) + parts[-1:])


def propose_boxiness(clip: Clip) -> Proposal:
    """A cut of part of the surest ring, if one is sure; see ``03_filtering``."""
    if not active_mask(clip).any():
        return Proposal("boxiness", None, NOBODY_SINGS)
    search = suspect_rings(clip, count=1)
    if not search.found:
        return Proposal("boxiness", None, f"{search.verdict[0].upper()}{search.verdict[1:]}. {search.why}")
    ring = search.found[0]
    found = f"A ring at {ring.freq_hz:.0f} Hz stands out by about {ring.gain_db:.1f} dB"
    if ring.gain_db < LEAST_RING_DB:
        return Proposal("boxiness", None, f"{found}. That is too little to cut.")
    cut = ring.cut(min(RING_SHARE, MOST_CUT_DB / ring.gain_db))
    body = ""
    if BODY_HZ[0] <= ring.freq_hz <= BODY_HZ[1]:
        body = " Careful: this is where the body of a voice is. Listen for thinness."
    return Proposal(
        "boxiness",
        cut,
        f"{found}. {decibels(cut.gain_db)} dB takes out most of it (lesson 03 begins with three quarters); the rest may be "
        f"the voice's own.{body}",
    )


def propose_sibilance(clip: Clip) -> Proposal:
    """A de-esser, if s sounds stand out; see ``03_filtering``."""
    hiss = measure_sibilance(clip)
    if hiss.count == 0:
        return Proposal("sibilance", None, "No s sounds were found.")
    found = f"Above 6 kHz, the louder s sounds are at {decibels(hiss.level_db)} dB relative to the voice around them"
    if not hiss.sharp:
        return Proposal("sibilance", None, f"{found}. They would count as sharp from {decibels(SHARP_DB, 0)} dB up.")
    if hiss.count < FEWEST_S:
        few = f"There are only {hiss.count}: check by ear that it is an s before you turn anything down"
        return Proposal("sibilance", None, f"{found}. {few}.")
    spans = find_sibilants(clip)
    begins_hz = hiss_begins_hz(clip, spans)
    settings, where = DeEsser(range_db=8), "Where the hiss begins can't be told here, so it listens from 6 kHz"
    if math.isfinite(begins_hz):
        from_hz = FROM_STEP_HZ * round(begins_hz / FROM_STEP_HZ)
        if FROM_HZ[0] <= from_hz <= min(FROM_HZ[1], _HIGHEST_OF_RATE * clip.rate):
            settings = dataclasses.replace(settings, freq_hz=from_hz)
            where = f"Nine tenths of their hiss lie above {begins_hz / 1000:.1f} kHz, so it listens from {from_hz / 1000:g} kHz"
    threshold_db = round(2 * (hiss_level_db(clip, spans, settings.freq_hz) - TAKEN_OFF_DB / settings.slope)) / 2
    settings = _calm(dataclasses.replace(settings, threshold_db=threshold_db), clip)
    least_db = TAKEN_OFF_DB - settings.slope * (settings.threshold_db - threshold_db)
    return Proposal(
        "sibilance",
        settings,
        f"{found}. {where}; a threshold of {decibels(settings.threshold_db)} dB takes about {least_db:.0f} dB off them.",
    )


def _calm(deesser: DeEsser, clip: Clip) -> DeEsser:
    """The same with a threshold so high that it acts in no more of the sung time than lesson 03 allows, if that costs little."""
    active, calm, hiss_db = active_mask(clip), deesser, deesser.detector_db(clip)
    for _ in range(_CALM_STEPS + 1):
        if 100 * reduction_stats(calm.reduction_db(hiss_db, clip.rate), active).share <= HISS_PERCENT - 1:
            return calm
        calm = dataclasses.replace(calm, threshold_db=calm.threshold_db + 0.5)
    return deesser


def propose_peaks(clip: Clip, raw: Clip | None = None) -> Proposal:
    """A fast compressor that acts now and then; see ``04_peak_control``.

    Where the raw take is given, and the peaks still stand out more than there, the attack is quicker.
    """
    heard, active = heard_part(clip)
    if not active.any():
        return Proposal("peaks", None, NOBODY_SINGS)
    usual = _peaks_with(_PEAKS_ATTACK_MS, clip, heard, active)
    if raw is None or usual.processor is None:
        return usual
    left_db = peak_to_loudness_ratio_db(usual.processor.apply(heard).output)
    if left_db <= peak_to_loudness_ratio_db(heard_part(raw)[0]):
        return usual
    for attack_ms in _PEAKS_QUICK_MS:
        quick = _peaks_with(attack_ms, clip, heard, active)
        if quick.processor is None:
            continue
        change = stage_change(Chain([("peaks", quick.processor)]).apply(heard).stages["peaks"])
        if all(goal.met(change) for goal in GOALS["peaks"]):
            why = f"With {_PEAKS_ATTACK_MS:g} ms the peaks would stand out more than in the recording, so its attack is {attack_ms:g} ms."
            return dataclasses.replace(quick, reason=f"{quick.reason} {why}")
    return usual


def _peaks_with(attack_ms: float, clip: Clip, heard: Clip, active: np.ndarray) -> Proposal:
    low, high = PEAKS_MAX_DB
    deepest_db = []
    for ratio in _PEAKS_RATIOS:
        processor = Compressor(-20, ratio, attack_ms, 80)
        threshold_db = threshold_for(processor, heard, "share_percent", PEAKS_SHARE_PERCENT)
        stats = stats_with(dataclasses.replace(processor, threshold_db=threshold_db), heard, active)
        while 100 * stats.share > PEAKS_MOST_PERCENT and threshold_db < 0:
            threshold_db += THRESHOLD_STEP_DB
            stats = stats_with(dataclasses.replace(processor, threshold_db=threshold_db), heard, active)
        if low <= stats.max_db <= high and stats.share > 0:
            processor = dataclasses.replace(processor, threshold_db=threshold_db)
            stats = stats_with(processor, clip)
            return Proposal(
                "peaks",
                processor,
                f"At {decibels(threshold_db)} dBFS and {ratio:g}:1 it acts in {100 * stats.share:.0f} % of the sung "
                f"time, by up to {decibels(stats.max_db)} dB.",
            )
        deepest_db.append(stats.max_db)
        if stats.max_db == 0:
            break
    if max(deepest_db) < low:
        return Proposal(
            "peaks",
            None,
            f"Nothing pokes out far: a compressor that acts in {PEAKS_MOST_PERCENT:.0f} % of the sung time or less would "
            f"take off {decibels(max(deepest_db))} dB at most.",
        )
    return Proposal(
        "peaks",
        None,
        f"Something pokes out too far for this stage: it would take off {decibels(min(deepest_db))} dB or more there. "
        "Level by hand first.",
    )


def _closer(usual: Compressor, heard: Clip, applied) -> tuple[Compressor, str]:
    """The same with a shorter release, if the words come no closer together with the usual one and do with it; and a sentence."""
    goals = {goal.measure: goal for goal in GOALS["steady"]}
    for release_ms in (usual.release_ms, *_STEADY_RELEASES_MS):
        one = dataclasses.replace(usual, release_ms=release_ms)
        if one != usual:
            one = dataclasses.replace(one, threshold_db=threshold_for(one, heard, "median_db", STEADY_MEDIAN_DB))
        change = stage_change(applied(one))
        if all(
            goals[name].met(change) for name in ("share_percent", "median_db", "over_median_db", "spread_change_lu")
        ):
            if one == usual:
                return usual, ""
            return (
                one,
                f" With a release of {release_ms:g} ms the words come closer together; with {usual.release_ms:g} ms they don't.",
            )
    return usual, ""


def propose_steady(clip: Clip, raw: Clip | None = None) -> Proposal:
    """A slower compressor that acts nearly all the time, with make-up gain; see ``05_steady_compression``.

    Where the raw take is given, the attack is as quick as it takes to keep the peaks from standing out more than there.
    """
    heard, active = heard_part(clip)
    if not active.any():
        return Proposal("steady", None, NOBODY_SINGS)
    low, high = STEADY_WINDOW_DB
    limit_db = math.inf if raw is None else peak_to_loudness_ratio_db(heard_part(raw)[0]) + PEAKS_DB
    found = []

    @functools.lru_cache(maxsize=1)  # what is measured on it comes one after the other
    def applied(one: Compressor) -> StageResult:
        return Chain([("steady", one)]).apply(clip).stages["steady"]

    def stats_of(one: Compressor) -> ReductionStats:
        return reduction_stats(applied(one).reduction_db, active_mask(clip))

    for attack_ms in _STEADY_ATTACKS_MS:
        for way in _STEADY_WAYS:
            processor = Compressor(-26, attack_ms=attack_ms, release_ms=200, **way)
            processor = dataclasses.replace(
                processor, threshold_db=threshold_for(processor, heard, "median_db", STEADY_MEDIAN_DB)
            )
            stats = stats_of(processor)
            if 100 * stats.share < STEADY_SHARE_PERCENT:
                lower_db = threshold_for(processor, heard, "share_percent", STEADY_SHARE_PERCENT + 3)
                processor = dataclasses.replace(processor, threshold_db=min(processor.threshold_db, lower_db))
                stats = stats_of(processor)
            if low <= stats.median_db <= high and 100 * stats.share >= STEADY_SHARE_PERCENT:
                # What a slow attack lets through stands out once the rest is turned down.
                made = applied(processor) if heard is clip else processor.apply(heard)
                peaks_db = 0.0 if raw is None else peak_to_loudness_ratio_db(made.output)
                found.append((peaks_db, processor, stats))
                break
        if not found or found[-1][0] <= limit_db:
            break
    if found:
        peaks_db, processor, stats = min(found, key=lambda one: max(one[0], limit_db))
        processor, follows = _closer(processor, heard, applied)
        stats = stats_of(processor)
        makeup_db = round(match_gain_db(integrated_lufs(applied(processor).output), integrated_lufs(clip)), 1)
        quick = ""
        if processor.attack_ms < _STEADY_ATTACKS_MS[0]:
            quick = f" An attack of {processor.attack_ms:g} ms keeps the peaks from standing out more than in the recording."
        if peaks_db > limit_db:
            quick = " The peaks stand out more than in the recording even so."
        quick += follows
        return Proposal(
            "steady",
            dataclasses.replace(processor, makeup_db=makeup_db),
            f"At {decibels(processor.threshold_db)} dBFS and {processor.ratio:g}:1 it acts in "
            f"{100 * stats.share:.0f} % of the sung time, by {decibels(stats.median_db)} dB or more half of the sung time (median). "
            f"{decibels(makeup_db, sign=True)} dB of make-up gain restores the loudness." + quick,
        )
    return Proposal(
        "steady",
        None,
        "No setting takes 2 to 5 dB nearly all the time: the levels are too uneven. Level by hand first.",
    )


def propose_excitement(clip: Clip) -> Proposal:
    """None: nothing measured calls for it; see ``06_slow_attack``."""
    return Proposal("excitement", None, TASTE.format(lesson="06"))


def propose_colour(clip: Clip) -> Proposal:
    """None: nothing measured calls for it; see ``07_compressor_types``."""
    return Proposal("colour", None, TASTE.format(lesson="07"))


def propose_rides(clip: Clip, raw: Clip | None = None) -> Proposal:
    """A fader ride for what the stages before it leave uneven; see ``08_the_vocal_in_the_mix``.

    The voice is compared with itself, as there is no band here, and section by section where the take has several: the step
    from a verse to its chorus stays. Where the raw take is given, it tells where somebody sings, and where sections meet.
    """
    found = propose_ride(clip, recorded=raw)
    return Proposal("rides", found.ride if found.ride.points else None, found.reason)


STAGES = {
    "trim": propose_trim,
    "level prep": propose_level_prep,
    "low cut": propose_low_cut,
    "boxiness": propose_boxiness,
    "sibilance": propose_sibilance,
    "peaks": propose_peaks,
    "steady": propose_steady,
    "excitement": propose_excitement,
    "colour": propose_colour,
    "rides": propose_rides,
}
"""The stages proposed for any clip, in working order; each is measured on what the stages before it leave."""


@asks(clip=A_CLIP, raw=OrNone(A_CLIP))
def propose_stage(stage: str, clip: Clip, raw: Clip | None = None, style: str | None = None) -> Proposal:
    """The proposal for one stage, from the clip as it reaches that stage.

    Parameters
    ----------
    stage : str
        One of ``STAGES``.
    clip : Clip
    raw : Clip, optional
        The take as recorded: the two compressors keep the peaks of the whole chain in check by it, and a ride tells by it
        where somebody sings and where sections meet.
    style : str, optional
        One of ``vocomp_lab.lessons.styles.STYLES``: the two compressors then start as its card says.

    Raises
    ------
    ValueError
        If there is no such stage or style.
    """
    check_choice("stage", stage, tuple(STAGES))
    card = style_named(style)
    if card is not None and stage in STYLED:
        return _proposed_in_style(stage, clip, card)
    return _proposed(stage, clip, raw if stage in (*STYLED, "rides") else None)


@remembered(64)  # a lesson begins with proposals, and its page asks for them again
def _proposed(stage: str, clip: Clip, raw: Clip | None) -> Proposal:
    return STAGES[stage](clip) if raw is None else STAGES[stage](clip, raw)


@remembered(64)
def _proposed_in_style(stage: str, clip: Clip, card: Style) -> Proposal:
    start: Start | None = getattr(card, stage)
    if start is None:
        return Proposal(stage, None, f"The card “{card.name}” does without it. {_CARDS_SAY}")
    heard, active = heard_part(clip)
    if not active.any():
        return Proposal(stage, None, NOBODY_SINGS)
    threshold_db = threshold_for(start.compressor, heard, start.measure, start.aim_db)
    processor = dataclasses.replace(start.compressor, threshold_db=threshold_db)
    taken_db = getattr(stats_with(processor, clip), start.measure)
    low, high = start.window_db
    card_says = f"the card “{card.name}” says {low:g} to {high:g} dB"
    if not low <= taken_db <= high:
        return Proposal(
            stage,
            None,
            f"No threshold takes that much: {card_says}, and this one takes {decibels(taken_db)} dB. {_CARDS_SAY}",
        )
    told = f"takes off {decibels(taken_db)} dB {'at most' if start.measure == 'max_db' else 'half of the sung time (median)'}"
    makeup = ""
    if stage == "steady":
        makeup_db = round(match_gain_db(integrated_lufs(processor.apply(clip).output), integrated_lufs(clip)), 1)
        processor = dataclasses.replace(processor, makeup_db=makeup_db)
        makeup = f" {decibels(makeup_db, sign=True)} dB of make-up gain restores the loudness."
    return Proposal(
        stage,
        processor,
        f"At {decibels(threshold_db)} dBFS and {processor.ratio:g}:1 it {told}; {card_says}.{makeup} {_CARDS_SAY}",
    )


@asks(clip=A_CLIP)
def propose_chain(clip: Clip, style: str | None = None) -> list[Proposal]:
    """A proposal for every stage, each from what the stages before it leave of the clip.

    Parameters
    ----------
    clip : Clip
    style : str, optional
        One of ``vocomp_lab.lessons.styles.STYLES``; by default the lessons' own settings.

    Returns
    -------
    list of Proposal
        In the order of the work; those without a processor say why there is none.

    Raises
    ------
    ValueError
        If there is no such style.
    """
    style_named(style)
    proposals, current = [], clip
    for stage in STAGES:
        proposal = propose_stage(stage, current, clip, style)
        proposals.append(proposal)
        if proposal.processor is not None:
            current = Chain([(stage, proposal.processor)]).apply(current).output
    return proposals


@asks(proposals=Each(Of(Proposal, "a Proposal"), "a list of proposals, as propose_chain(clip) gives it"))
def proposed_chain(proposals: list[Proposal]) -> Chain:
    """The chain of those proposals that have a processor."""
    return Chain([(proposal.stage, proposal.processor) for proposal in proposals if proposal.processor is not None])


@asks(result=A_RESULT)
def check_goals(result: ChainResult, style: str | None = None) -> str:
    """Whether the compressors of a chain do their job, and whether the chain as a whole does no harm.

    Parameters
    ----------
    result : ChainResult
    style : str, optional
        One of ``vocomp_lab.lessons.styles.STYLES``: its card's goals take the place of the lessons' for its stages.

    Returns
    -------
    str
        A line for each of ``GOALS`` of the stages that the chain has, for each of ``CHAIN_GOALS``, and for each check of
        :func:`vocomp_lab.analysis.harm.measure_harm`. Where the chain does harm, its line says so and names the stage.

    Raises
    ------
    ValueError
        If there is no such card.
    """
    card, lines = style_named(style), []
    for name, stage in result.stages.items():
        if name not in GOALS or stage.reduction_db is None:
            continue
        change, goals = stage_change(stage), goals_for(name, card)
        lines += [f"{name}, {goal}: {goal.verdict(change)}" for goal in goals]
        lines += [] if goals else [f"{name}: the card “{card.name}” does without this stage."]
    lines = lines or [f"This chain has no stage called {_WITH_GOALS}."]
    return "\n".join([*lines, check_chain(result), *(f"whole chain, {check}" for check in measure_harm(result).checks)])


def _against_voice(level_db: float) -> str:
    return f"{decibels(abs(level_db), 0)} dB {'above' if level_db > 0 else 'below'} the voice"


def heard_part(clip: Clip) -> tuple[Clip, np.ndarray]:
    """What thresholds are set on, and where somebody sings: the clip, or a minute of pieces from all over a long one."""
    active = active_mask(clip)
    if clip.duration_s <= _LONGEST_HEARD_S:
        return clip, active
    length = int(_PIECE_S * clip.rate)
    starts = np.arange(0, clip.frames - length + 1, length)
    shares = np.array([active[start : start + length].mean() for start in starts])
    starts = starts[shares > 0.5 * shares.max()]
    count = int(_LONGEST_HEARD_S / _PIECE_S)
    starts = starts[np.unique(np.linspace(0, len(starts) - 1, min(count, len(starts))).astype(int))]
    picked = np.concatenate([np.arange(start, start + length) for start in starts])
    return clip.with_samples(clip.samples[picked]), active[picked]
