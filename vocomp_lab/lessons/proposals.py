"""Starting settings for each stage, worked out from what a clip measures, each with its reason.

A student who skips a lesson starts from them, and ``09_your_own_vocal`` proposes them for the student's own voice.
Every target here is common practice, no source, unless a source is named beside it.
"""

from __future__ import annotations

import dataclasses
import hashlib
from dataclasses import dataclass

import numpy as np

from vocomp_lab.analysis.level_prep import find_uneven, propose_regions
from vocomp_lab.analysis.listening import match_gain_db
from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.lowend import measure_low_end
from vocomp_lab.analysis.measures import Goal, stage_change
from vocomp_lab.analysis.meters import active_mask, active_rms_dbfs, noise_floor_dbfs
from vocomp_lab.analysis.resonance import find_resonances
from vocomp_lab.analysis.sibilants import SHARP_DB, measure_sibilance
from vocomp_lab.analysis.thresholds import THRESHOLD_STEP_DB, stats_with, threshold_for
from vocomp_lab.processors.chain import Chain, ChainResult
from vocomp_lab.processors.clip_gain import ClipGain
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.deesser import DeEsser
from vocomp_lab.processors.filters import HighPass, Peaking
from vocomp_lab.processors.gain import Gain
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import sample_peak_dbfs
from vocomp_lab.sound.text import decibels

NOBODY_SINGS = "Nobody sings in this clip."
TASTE = "A matter of taste: nothing measured calls for it. See lesson {lesson}."


# The level at which compressors expect a voice, and how near to it is near enough.
VOICE_RMS_DBFS, VOICE_PEAK_DBFS, NEAR_ENOUGH_DB = -20.0, -6.0, 3.0


# Whole numbers of 16 bits that were saved as floats, without scaling, are 90 dB too loud.
MOST_TRIM_DB = 60.0


# A weaker ring may be the voice's own. Only part of a ring is cut, and never by much.
LEAST_RING_DB, RING_SHARE, MOST_CUT_DB = 3.5, 0.7, 6.0


# How much the de-esser takes off the louder s sounds.
TAKEN_OFF_DB = 4.0
PEAKS_SHARE_PERCENT, PEAKS_MOST_PERCENT, PEAKS_MAX_DB = 10.0, 15.0, (2.0, 8.0)
STEADY_MEDIAN_DB, STEADY_WINDOW_DB, STEADY_SHARE_PERCENT = 3.0, (2.0, 5.0), 80.0
GOALS = {
    "peaks": (Goal("share_percent", high=PEAKS_MOST_PERCENT), Goal("max_db", *PEAKS_MAX_DB)),
    "steady": (
        Goal("share_percent", low=STEADY_SHARE_PERCENT),
        Goal("median_db", *STEADY_WINDOW_DB),
        Goal("loudness_change_lu", -0.5, 0.5),
    ),
}
"""What the two compressors that every voice gets should come to (``04_peak_control``, ``05_steady_compression``)."""
_PEAKS_RATIOS = (3.0, 4.0, 6.0, 8.0, 2.0, 1.5)
_STEADY_WAYS = ({"ratio": 2.5, "knee_db": 6.0}, {"ratio": 2.0, "knee_db": 12.0}, {"ratio": 1.7, "knee_db": 18.0})
_SIDES = {"quiet phrase": "below the other phrases", "loud word": "above the words around it"}
_LONGEST_HEARD_S, _PIECE_S = 60.0, 10.0
_REMEMBERED = 64


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
    told = "; ".join(
        f"the {one.kind} at {one.start_s:.1f} s is {decibels(abs(one.off_lu))} LU {_SIDES[one.kind]}" for one in uneven
    )
    return Proposal(
        "level prep",
        ClipGain(tuple(propose_regions(clip))),
        f"{told[0].upper()}{told[1:]}. The gains take back nine tenths of that; check by ear whether it was meant.",
    )


def propose_low_cut(clip: Clip) -> Proposal:
    """A high-pass below the lowest sung note, if there is anything to cut; see ``03_filtering``."""
    low = measure_low_end(clip)
    if low is None:
        return Proposal("low cut", None, NOBODY_SINGS)
    under = "no pitch was found" if low.pitch is None else f"the lowest notes are near {low.pitch.low_hz:.0f} Hz"
    if not low.worth_cutting:
        return Proposal("low cut", None, f"Below {low.below_hz:.0f} Hz there is nothing for a compressor to react to.")
    why = (
        f"{under[0].upper()}{under[1:]}. Below {low.below_hz:.0f} Hz, rumble lies {_against_voice(low.steady_db)} all "
        f"the time, and the loudest thump {_against_voice(low.thump_db)}."
    )
    cut = HighPass(freq_hz=low.cut_hz, order=3)
    cost = ""
    if low.pitch is not None:
        cost = f", and {decibels(-cut.response_db([low.pitch.low_hz], clip.rate)[0])} dB off the lowest notes"
    return Proposal("low cut", cut, f"{why} A cut at {low.cut_hz:.0f} Hz takes that out{cost}.")


def propose_boxiness(clip: Clip) -> Proposal:
    """A cut of part of the strongest ring; see ``03_filtering``."""
    rings = find_resonances(clip) if active_mask(clip).any() else []
    if not rings or rings[0].gain_db < LEAST_RING_DB:
        weak = f" (the strongest is {rings[0].gain_db:.1f} dB at {rings[0].freq_hz:.0f} Hz)" if rings else ""
        return Proposal("boxiness", None, f"No ring between 150 and 1,200 Hz stands out{weak}.")
    ring = rings[0]
    gain_db = -round(min(RING_SHARE * ring.gain_db, MOST_CUT_DB), 1)
    return Proposal(
        "boxiness",
        Peaking(freq_hz=round(ring.freq_hz), gain_db=gain_db, q=round(ring.q, 1)),
        f"A ring at {ring.freq_hz:.0f} Hz stands out by about {ring.gain_db:.1f} dB. {decibels(gain_db)} dB takes out "
        "part of it; the rest may be the voice's own.",
    )


def propose_sibilance(clip: Clip) -> Proposal:
    """A de-esser, if s sounds stand out; see ``03_filtering``."""
    hiss = measure_sibilance(clip)
    if hiss.count == 0:
        return Proposal("sibilance", None, "No s sounds were found.")
    found = f"Above 6 kHz, the louder s sounds are at {decibels(hiss.level_db)} dB relative to the voice around them"
    if not hiss.sharp:
        return Proposal("sibilance", None, f"{found}. They would count as sharp from {decibels(SHARP_DB, 0)} dB up.")
    settings = DeEsser(range_db=8)
    over_db = TAKEN_OFF_DB / settings.slope
    threshold_db = round(2 * (hiss.level_db - over_db)) / 2
    settings = dataclasses.replace(settings, threshold_db=threshold_db)
    return Proposal(
        "sibilance",
        settings,
        f"{found}. A threshold of {decibels(threshold_db)} dB takes about {TAKEN_OFF_DB:.0f} dB off them.",
    )


def propose_peaks(clip: Clip) -> Proposal:
    """A fast compressor that acts now and then; see ``04_peak_control``."""
    heard, active = heard_part(clip)
    if not active.any():
        return Proposal("peaks", None, NOBODY_SINGS)
    low, high = PEAKS_MAX_DB
    deepest_db = []
    for ratio in _PEAKS_RATIOS:
        processor = Compressor(-20, ratio, 1, 80)
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
        f"Something pokes out too far for this stage, by {decibels(min(deepest_db))} dB or more. Level by hand first.",
    )


def propose_steady(clip: Clip) -> Proposal:
    """A slower compressor that acts nearly all the time, with make-up gain; see ``05_steady_compression``."""
    heard, active = heard_part(clip)
    if not active.any():
        return Proposal("steady", None, NOBODY_SINGS)
    low, high = STEADY_WINDOW_DB
    for way in _STEADY_WAYS:
        processor = Compressor(-26, attack_ms=10, release_ms=200, **way)
        processor = dataclasses.replace(
            processor, threshold_db=threshold_for(processor, heard, "median_db", STEADY_MEDIAN_DB)
        )
        stats = stats_with(processor, clip)
        if 100 * stats.share < STEADY_SHARE_PERCENT:
            lower_db = threshold_for(processor, heard, "share_percent", STEADY_SHARE_PERCENT + 3)
            processor = dataclasses.replace(processor, threshold_db=min(processor.threshold_db, lower_db))
            stats = stats_with(processor, clip)
        if low <= stats.median_db <= high and 100 * stats.share >= STEADY_SHARE_PERCENT:
            made = processor.apply(clip).output
            makeup_db = round(match_gain_db(integrated_lufs(made), integrated_lufs(clip)), 1)
            return Proposal(
                "steady",
                dataclasses.replace(processor, makeup_db=makeup_db),
                f"At {decibels(processor.threshold_db)} dBFS and {processor.ratio:g}:1 it acts in "
                f"{100 * stats.share:.0f} % of the sung time, by {decibels(stats.median_db)} dB half the time (median). "
                f"{decibels(makeup_db, sign=True)} dB of make-up gain restores the loudness.",
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
}
"""The stages proposed for any clip, in working order; each is measured on what the stages before it leave."""


# A lesson begins with proposals, and its page asks for them again. A clip is recognised by its sound and measured once.
_known: dict[tuple, Proposal] = {}


def propose_stage(stage: str, clip: Clip) -> Proposal:
    """The proposal for one stage, from the clip as it reaches that stage."""
    key = (stage, clip.rate, clip.samples.shape, hashlib.blake2b(np.ascontiguousarray(clip.samples)).digest())
    if key not in _known:
        while len(_known) >= _REMEMBERED:
            _known.pop(next(iter(_known)), None)
        _known[key] = STAGES[stage](clip)
    return _known[key]


def propose_chain(clip: Clip) -> list[Proposal]:
    """A proposal for every stage, each from what the stages before it leave of the clip.

    Parameters
    ----------
    clip : Clip

    Returns
    -------
    list of Proposal
        In the order of the work; those without a processor say why there is none.
    """
    proposals, current = [], clip
    for stage in STAGES:
        proposal = propose_stage(stage, current)
        proposals.append(proposal)
        if proposal.processor is not None:
            current = Chain([(stage, proposal.processor)]).apply(current).output
    return proposals


def proposed_chain(proposals: list[Proposal]) -> Chain:
    """The chain of those proposals that have a processor."""
    return Chain([(proposal.stage, proposal.processor) for proposal in proposals if proposal.processor is not None])


def check_goals(result: ChainResult) -> str:
    """Whether the compressors of a chain do their job.

    Parameters
    ----------
    result : ChainResult

    Returns
    -------
    str
        A line for each of ``GOALS`` of the stages that the chain has.
    """
    lines = []
    for name, stage in result.stages.items():
        if name in GOALS and stage.reduction_db is not None:
            change = stage_change(stage)
            for goal in GOALS[name]:
                verdict = "met" if goal.met(change) else "not met yet"
                lines.append(f"{name}, {goal}: {verdict} (measured: {decibels(goal.value(change))})")
    return "\n".join(lines) or "This chain has no stage called “peaks” or “steady”."


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
