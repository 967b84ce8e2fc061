"""Over-compression found by numbers: what compressors did wrong to a voice."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, sosfiltfilt

from vocomp_lab.analysis.loudness import loudness
from vocomp_lab.analysis.meters import active_mask, reduction_stats
from vocomp_lab.analysis.pumping import gain_swing_db, pause_lift
from vocomp_lab.analysis.words import voiced_words
from vocomp_lab.processors.chain import A_RESULT, ChainResult
from vocomp_lab.processors.deesser import DeEsser
from vocomp_lab.sound.audio import A_CLIP, Clip, check_as_long
from vocomp_lab.sound.checks import REDUCTION, OrNone, asks
from vocomp_lab.sound.levels import crest_factor_db, power_to_db, step_powers
from vocomp_lab.sound.text import decibels

RIPPLE_BAND_HZ = (70.0, 1_000.0)
"""Where a reduction moves that follows the single cycles of a voice."""
_RIPPLE_STEP_S = 0.05
_CREST_WINDOW_S = 1.0
_CREST_ACTIVE_SHARE = 0.7
_SIBILANT_HZ = 5_000.0
_STEP_MS = 10.0
_PAD_FRAMES = 15  # SciPy's own choice for this filter; a shorter clip gets less


@dataclass(frozen=True)
class Sign:
    """A number that reveals over-compression, and its limit.

    Attributes
    ----------
    label, unit : str
    limit : float
        Beyond it the number counts as a fault: above a positive limit, below a negative one. The loudness change counts
        to either side.
    sentence : str
        What it means and what to do; ``{value}`` stands for the number.
    signed : bool
        Whether it can have either sign, and is written with it.
    """

    label: str
    unit: str
    limit: float
    sentence: str
    signed: bool = True

    def text(self, value: float) -> str:
        """The number for reading."""
        return decibels(value, sign=self.signed)


SIGNS = {
    "reduction": Sign(
        "median reduction", "dB", 9.0,
        "It takes off more than {value} dB half the time: the threshold is far too low. Raise it.", False,
    ),
    "release": Sign(
        "gain ripple", "dB", 0.6,
        "The gain ripples by {value} dB within each cycle of the voice: that is distortion. Use a slower release.",
        False,
    ),
    "onsets": Sign(
        "crest factor, second by second", "dB", -1.2,
        "From second to second, the peaks stand out {value} dB compared with before: the starts of words are cut off. "
        "Use a slower attack or a lower ratio.",
    ),
    "peaks": Sign(
        "crest factor, as a whole", "dB", -3.5,
        "Over the whole take the peaks stand out {value} dB compared with before: the voice is flattened, with no single "
        "second to blame. Let the fast compressor take off less, with a slower attack or a lower ratio.",
    ),
    "make-up": Sign(
        "loudness change", "LU", 1.5,
        "Its loudness is {value} LU off, so you would only be comparing loudness. Match it with make-up gain.",
    ),
    "noise": Sign(
        "lift of the noise in the pauses", "dB", 7.0,
        "The noise in the pauses comes up by {value} dB relative to the voice. Use less reduction or a slower release.",
    ),
    "sibilance": Sign(
        "lift of the s sounds", "dB", 6.5,
        "s and sh come up by {value} dB relative to the vowels. De-ess after the stage that lifts them, or lift less.",
    ),
    "gain movement": Sign(
        "gain movement within a word", "dB", 5.0,
        "The gain moves {value} dB within each word. A longer release or less reduction calms it.", False,
    ),
}  # fmt: skip
"""What is measured, by the name of the fault.

The limits lie between the workbook's well-set chains and its faulty renders, on both singers and on takes of other
seeds (``tests/test_diagnosis.py``). Such numbers are common practice; there is no source for the figures. Where onsets are
cut off, that is why the peaks are gone, so only "onsets" is then a finding."""


@dataclass(frozen=True)
class CompressionNumbers:
    """What compression did to a voice, by the names of ``SIGNS``.

    Made by :func:`measure_compression`; printing it gives a table.

    Attributes
    ----------
    values : dict of float
        By the names of ``SIGNS``; NaN where a clip has no such number.
    range_change_lu : float
        Change of the loudness range (EBU Tech 3342).
    """

    values: dict[str, float]
    range_change_lu: float

    def __str__(self):
        rows = [
            (sign.label, sign.text(self.values[name]), sign.unit, f"({limit_text(name)})")
            for name, sign in SIGNS.items()
        ]
        rows += [
            ("loudness range", decibels(self.range_change_lu, sign=True), "LU", ""),
        ]
        return "\n".join(f"{label:<32} {value:>6} {unit:<5} {limit}".rstrip() for label, value, unit, limit in rows)


@dataclass(frozen=True)
class Finding:
    """One fault that the numbers show.

    Attributes
    ----------
    name : str
        One of ``SIGNS``.
    value : float
        The number, in the sign's unit.
    sentence : str
    """

    name: str
    value: float
    sentence: str

    @property
    def weight(self) -> float:
        """How many times its limit the number is: 1 is just there."""
        return abs(self.value / SIGNS[self.name].limit)

    def __str__(self):
        return f"{self.name}: {self.sentence}"


@asks(before=A_CLIP, after=A_CLIP, reduction_db=OrNone(REDUCTION))
def measure_compression(before: Clip, after: Clip, reduction_db=None) -> CompressionNumbers:
    """Measure the numbers that reveal over-compression.

    Parameters
    ----------
    before : Clip
        The voice as it reaches the first compressor, after level prep and filters.
    after : Clip
        What came out, of the same rate and length.
    reduction_db : array_like, shape (frames,), optional
        Reduction of all stages together (``ChainResult.reduction_db``). Without it the three numbers that need it are
        NaN.

    Returns
    -------
    CompressionNumbers

    Raises
    ------
    ValueError
        If the clips or the reduction don't fit each other.

    Notes
    -----
    Crest factor, second by second: the median over windows of 1 s that are mostly sung, so that one peak that was
    rightly tamed doesn't count. Gain ripple: the reduction between 70 and 1,000 Hz, peak to peak of a sine of the same
    power, the 90th percentile of steps of 50 ms. s sounds: power over 5 kHz where that holds most of the power, against
    the vowels' whole power. Common practice, no source.
    """
    check_as_long("after", after, "before", before)
    active = active_mask(before)
    loud = loudness(before), loudness(after)
    values = dict.fromkeys(SIGNS, math.nan)
    if reduction_db is not None:
        if reduction_db.shape != (before.frames,):
            raise ValueError(f"reduction_db: shape {reduction_db.shape} is not allowed; give ({before.frames},).")
        if active.any():
            values["reduction"] = reduction_stats(reduction_db, active).median_db
            values["release"] = _ripple_db(reduction_db, before.rate, active)
            values["gain movement"] = gain_swing_db(reduction_db, before.rate, voiced_words(before))
    values["onsets"] = _crest_by_second_db(after, active) - _crest_by_second_db(before, active)
    values["peaks"] = crest_factor_db(after, active) - crest_factor_db(before, active)
    if np.isfinite([loud[0].integrated_lufs, loud[1].integrated_lufs]).all():
        values["make-up"] = loud[1].integrated_lufs - loud[0].integrated_lufs
    values["noise"] = pause_lift(before, after, active).room_db if active.any() else math.nan
    values["sibilance"] = _sibilance_lift_db(before, after, active)
    return CompressionNumbers(values, loud[1].range_lu - loud[0].range_lu)


def diagnose(before: Clip, after: Clip, reduction_db=None) -> list[Finding]:
    """What is wrong with a compressed voice, as far as numbers show.

    Parameters
    ----------
    before, after, reduction_db
        As for :func:`measure_compression`.

    Returns
    -------
    list of Finding
        The worst first; empty where nothing is beyond its limit.
    """
    return findings(measure_compression(before, after, reduction_db))


def findings(numbers: CompressionNumbers) -> list[Finding]:
    """The faults among numbers already measured, the worst first; see :func:`diagnose`."""
    found = [
        Finding(name, value, SIGNS[name].sentence.format(value=SIGNS[name].text(value)))
        for name, value in numbers.values.items()
        if beyond_limit(name, value) and not (name == "peaks" and beyond_limit("onsets", numbers.values["onsets"]))
    ]
    return sorted(found, key=lambda finding: -finding.weight)


@asks(result=A_RESULT)
def compressed_part(result: ChainResult) -> tuple[Clip, Clip, np.ndarray]:
    """What went into a chain's compressors, what came out at the end, and their reduction together.

    Parameters
    ----------
    result : ChainResult

    Returns
    -------
    before, after : Clip
        Before the first stage with a gain reduction that is no de-esser, and at the end of the chain; both the end
        where there is no such stage.
    reduction_db : ndarray, shape (frames,)
        For :func:`measure_compression` and :func:`diagnose`.
    """
    stages = list(result.stages.values())
    works = [stage.detail is not None and not isinstance(stage.processor, DeEsser) for stage in stages]
    first = works.index(True) if any(works) else len(stages)
    reductions = (stage.reduction_db for stage, does in zip(stages, works) if does)
    reduction_db = sum(reductions, np.zeros(result.source.frames))
    return (stages[first].source if first < len(stages) else result.output), result.output, reduction_db


def beyond_limit(name, value):
    limit = SIGNS[name].limit
    if name == "make-up":
        return abs(value) > limit
    return value < limit if limit < 0 else value > limit


def limit_text(name: str) -> str:
    """The limit of one of ``SIGNS``, for reading."""
    limit = SIGNS[name].limit
    return f"within ±{limit:g}" if name == "make-up" else f"not {'below' if limit < 0 else 'above'} {decibels(limit)}"


def _crest_db(columns) -> float:
    power = float(np.mean(columns * columns))
    return 20 * math.log10(float(np.abs(columns).max()) / math.sqrt(power)) if power > 0 else math.nan


def _crest_by_second_db(clip, active) -> float:
    """Median crest factor of overlapping windows of a second (or the whole of a shorter clip) that are mostly sung."""
    length = min(round(_CREST_WINDOW_S * clip.rate), clip.frames)
    starts = np.arange(0, clip.frames - length + 1, max(length // 2, 1))
    counted = np.concatenate([[0], np.cumsum(active)])
    starts = starts[counted[starts + length] - counted[starts] >= _CREST_ACTIVE_SHARE * length]
    crests = [_crest_db(clip.columns[start : start + length]) for start in starts]
    return float(np.median(crests)) if crests else math.nan


def _ripple_db(reduction_db, rate, active) -> float:
    low, high = RIPPLE_BAND_HZ
    band = butter(2, (low, min(high, 0.45 * rate)), "bandpass", fs=rate, output="sos")
    step = round(_RIPPLE_STEP_S * rate)
    steps = len(reduction_db) // step
    whole = active[: steps * step].reshape(steps, step).all(axis=1)
    if not whole.any():
        return math.nan
    ripple = sosfiltfilt(band, reduction_db)[: steps * step].reshape(steps, step)
    return float(np.percentile(np.sqrt(8.0 * np.mean(ripple[whole] ** 2, axis=1)), 90))


def _sibilance_lift_db(before, after, active) -> float:
    """How far the s sounds come up against the vowels; NaN where there are none of either."""
    if before.rate <= 2.2 * _SIBILANT_HZ:
        return math.nan
    band = butter(4, _SIBILANT_HZ, "highpass", fs=before.rate, output="sos")
    powers = {}
    for name, clip in (("before", before), ("after", after)):
        high = clip.with_samples(
            sosfiltfilt(band, clip.columns, axis=0, padlen=min(_PAD_FRAMES, clip.frames - 1)).reshape(
                clip.samples.shape
            )
        )
        powers[name] = step_powers(clip, _STEP_MS)[1], step_powers(high, _STEP_MS)[1]
    whole, high = powers["before"]
    level_db = power_to_db(whole, floor_db=-200.0)
    near = np.logical_or.reduceat(active, step_powers(before, _STEP_MS)[0][:-1])
    hissing = near & (high > 0.5 * whole) & (level_db > level_db.max() - 35.0)
    vowels = near & (high < 0.05 * whole) & (level_db > level_db.max() - 20.0)
    if hissing.sum() < 3 or vowels.sum() < 3:
        return math.nan

    def gain_db(of, where):
        made, given = (float(powers[name][of][where].mean()) for name in ("after", "before"))
        return power_to_db(made, floor_db=-200.0) - power_to_db(given)

    return gain_db(1, hissing) - gain_db(0, vowels)
