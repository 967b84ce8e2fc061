"""Starting settings for each stage, from what a clip measures, each with its reason.

They are where a student starts who skips a lesson, and what ``09_your_own_vocal`` proposes for a voice of one's own.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from vocomp_lab.audio import Clip
from vocomp_lab.clip_gain import ClipGain, propose_regions
from vocomp_lab.compressor import Compressor
from vocomp_lab.filters import HighPass, Peaking
from vocomp_lab.measures import MEASURES, clip_numbers, decibels, measure_change
from vocomp_lab.meters import active_mask, reduction_stats
from vocomp_lab.resonance import find_resonances

LOWEST_THRESHOLD_DB = -60.0
THRESHOLD_STEP_DB = 0.5


@dataclass(frozen=True)
class Proposal:
    """A stage that is proposed, and why.

    Attributes
    ----------
    stage : str
        One of ``STAGES``.
    processor : processor or None
        None where the clip does not need the stage.
    reason : str
        One or two sentences, with the numbers that it rests on.
    """

    stage: str
    processor: object | None
    reason: str


def threshold_for(processor, clip: Clip, measure: str, target: float) -> float:
    """The highest threshold at which a compressor does at least so much.

    Parameters
    ----------
    processor : processor with ``threshold_db`` and a gain reduction
        Its other settings are kept.
    clip : Clip
    measure : str
        A measure of the reduction: "share_percent", "median_db", "p95_db" or "max_db".
    target : float
        In that measure's unit.

    Returns
    -------
    float
        In dBFS, in steps of 0.5 dB; the lowest tried, −60, where nothing reaches the target.

    Notes
    -----
    All four fall as the threshold rises, so the range is halved until one step is left. Used in ``09_your_own_vocal``.
    """
    sung = active_mask(clip)
    before = clip_numbers(clip)

    def reached(step):
        made = dataclasses.replace(processor, threshold_db=-step * THRESHOLD_STEP_DB).apply(clip)
        return MEASURES[measure].of(measure_change(before, made.output, made.reduction_db, sung)) >= target

    low, high = 0, int(-LOWEST_THRESHOLD_DB / THRESHOLD_STEP_DB)
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if reached(middle) else (middle + 1, high)
    return -low * THRESHOLD_STEP_DB


def propose_level_prep(clip: Clip) -> Proposal:
    """Gain regions for what stands out; see ``02_level_prep``."""
    regions = propose_regions(clip)
    if not regions:
        return Proposal("level prep", None, "No word or phrase stands out of its neighbours.")
    gains = ", ".join(f"{decibels(r.gain_db, sign=True)} dB at {r.start_s:.1f} s" for r in regions)
    return Proposal("level prep", ClipGain(tuple(regions)), f"Stand out of their neighbours: {gains}.")


def propose_low_cut(clip: Clip) -> Proposal:
    """A high-pass below the lowest sung note; see ``03_filtering``."""
    return Proposal("low cut", HighPass(freq_hz=80, order=3), "Below 80 Hz there is hardly any voice.")


def propose_boxiness(clip: Clip) -> Proposal:
    """A cut of part of the strongest ring; see ``03_filtering``."""
    rings = find_resonances(clip) if np.any(clip.samples) else []
    if not rings:
        return Proposal("boxiness", None, "No ring between 150 and 1,200 Hz stands out.")
    ring = rings[0]
    return Proposal(
        "boxiness",
        Peaking(freq_hz=round(ring.freq_hz), gain_db=-round(ring.gain_db, 1), q=round(ring.q, 1)),
        f"A ring at {ring.freq_hz:.0f} Hz stands {ring.gain_db:.1f} dB out of the voice.",
    )


def propose_peaks(clip: Clip) -> Proposal:
    """A fast compressor that acts now and then; see ``04_peak_control``."""
    return _compressor("peaks", Compressor(-20, 3, 1, 80), clip, "share_percent", 10.0, "% of the sung time")


def propose_steady(clip: Clip) -> Proposal:
    """A slower compressor that acts nearly all the time, with make-up gain; see ``05_steady_compression``."""
    return _compressor("steady", Compressor(-26, 2.5, 10, 200, knee_db=6), clip, "median_db", 3.0, "dB of median reduction")


def _compressor(stage, processor, clip, measure, target, unit):
    if not active_mask(clip).any():
        return Proposal(stage, None, "Nobody sings in this clip.")
    processor = dataclasses.replace(processor, threshold_db=threshold_for(processor, clip, measure, target))
    return Proposal(stage, processor, f"The threshold at which it comes to {target:g} {unit}: {decibels(processor.threshold_db)} dBFS.")


STAGES = {
    "level prep": propose_level_prep,
    "low cut": propose_low_cut,
    "boxiness": propose_boxiness,
    "peaks": propose_peaks,
    "steady": propose_steady,
}
"""The stages that are proposed for any clip, in the order of the work; each is measured on what the ones before it leave."""


def propose_stage(stage: str, clip: Clip) -> Proposal:
    """The proposal for one stage, from the clip as it reaches that stage."""
    return STAGES[stage](clip)
