"""Over-compression found by numbers: what went wrong between a voice and what compressors made of it.

Explained in ``08_the_vocal_in_the_mix``, which also deals renders with one fault each, to be guessed by ear first.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import Callable

import numpy as np
from scipy.signal import butter, sosfiltfilt

from vocomp_lab.audio import Clip
from vocomp_lab.chain import Chain, ChainResult
from vocomp_lab.checks import check_choice, check_whole
from vocomp_lab.compressor import Compressor
from vocomp_lab.filters import HighShelf
from vocomp_lab.gain import Gain
from vocomp_lab.levels import power_to_db, step_powers
from vocomp_lab.listening import match_gain_db
from vocomp_lab.loudness import loudness
from vocomp_lab.measures import decibels
from vocomp_lab.meters import active_mask, reduction_stats
from vocomp_lab.proposals import propose_peaks, propose_steady, threshold_for
from vocomp_lab.pumping import floor_lift_db, gain_travel_db_per_s
from vocomp_lab.sibilance import DeEsser

RIPPLE_BAND_HZ = (70.0, 1_000.0)
"""Where a reduction moves that follows the single cycles of a voice."""
_RIPPLE_STEP_S = 0.05
_CREST_WINDOW_S = 1.0
_CREST_SUNG_SHARE = 0.7
_SIBILANT_HZ = 5_000.0
_STEP_MS = 10.0


@dataclass(frozen=True)
class Sign:
    """A number that tells over-compression, and from where on it does. Explained in ``08_the_vocal_in_the_mix``.

    Attributes
    ----------
    label, unit : str
    limit : float
        Beyond it the number counts as a fault: above it where it is positive, below it where it is negative. For the
        loudness change, to either side.
    sentence : str
        What it means, and what to do; ``{value}`` stands for the number.
    signed : bool
        Whether it can be of either sign, and is written with it.
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
        "Half of the sung time it takes away more than {value} dB: the threshold is far too low; raise it.", False,
    ),
    "release": Sign(
        "tremble of the reduction", "dB", 0.6,
        "Within the cycles of the voice the reduction trembles by {value} dB: distortion, from too fast a release.",
        False,
    ),
    "onsets": Sign(
        "crest factor, second by second", "dB", -1.2,
        "Within a second the peaks stand out by {value} dB, against before: the starts of words are cut off; use a "
        "slower attack, or a lower ratio.",
    ),
    "make-up": Sign(
        "loudness change", "LU", 1.5,
        "Its loudness is {value} LU off, so any comparison with before is one of loudness: match the make-up gain.",
    ),
    "noise": Sign(
        "lift of the noise in the pauses", "dB", 7.0,
        "Against the voice, what is in the pauses comes up, {value} dB: less reduction, or a slower release, keeps it "
        "down.",
    ),
    "sibilance": Sign(
        "lift of the s sounds", "dB", 6.5,
        "Against the vowels, s and sh come up, {value} dB: de-ess after what lifts them, or lift less.",
    ),
    "restless gain": Sign(
        "travel of the gain", "dB/s", 33.0,
        "The gain travels {value} dB in each second of singing: a longer release, or less reduction, calms it.", False,
    ),
}  # fmt: skip
"""What is looked at, by the name of the fault.

The limits lie between the workbook's well-set chains and its faulty renders, on both singers and on takes of other
seeds (``tests/test_diagnosis.py``). Such numbers are common practice; there is no source for the figures."""


@dataclass(frozen=True)
class CompressionNumbers:
    """What compression did to a voice, by the names of ``SIGNS`` where a fault can be told from it.

    Made by :func:`measure_compression`; printing it gives a table. Explained in ``08_the_vocal_in_the_mix``.

    Attributes
    ----------
    values : dict of float
        By the names of ``SIGNS``; NaN where a clip has no such number.
    crest_change_db : float
        Of the whole clip; one loud moment can make it what it is.
    range_change_lu : float
        Change of the loudness range (EBU Tech 3342).
    """

    values: dict[str, float]
    crest_change_db: float
    range_change_lu: float

    def __str__(self):
        rows = [
            (sign.label, sign.text(self.values[name]), sign.unit, _limit_text(name)) for name, sign in SIGNS.items()
        ]
        rows += [
            ("crest factor, as a whole", decibels(self.crest_change_db, sign=True), "dB", ""),
            ("loudness range", decibels(self.range_change_lu, sign=True), "LU", ""),
        ]
        return "\n".join(f"{label:<32} {value:>6} {unit:<5} {limit}".rstrip() for label, value, unit, limit in rows)


@dataclass(frozen=True)
class Finding:
    """One fault that the numbers tell. Explained in ``08_the_vocal_in_the_mix``.

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
        """How far beyond its limit the number lies: 1 is just there, 2 twice as far from none."""
        return abs(self.value / SIGNS[self.name].limit)

    def __str__(self):
        return f"{self.name}: {self.sentence}"


def measure_compression(before: Clip, after: Clip, reduction_db=None) -> CompressionNumbers:
    """Take the numbers by which over-compression is told.

    Parameters
    ----------
    before : Clip
        The voice as it reaches the first compressor: level prep and filters done.
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
    rightly tamed doesn't count. Tremble: the reduction between 70 and 1,000 Hz, peak to peak of a sine of the same
    power, the 90th percentile of steps of 50 ms. s sounds: power over 5 kHz where that holds most of the power, against
    the vowels' whole power. Common practice, no source. Explained in ``08_the_vocal_in_the_mix``.
    """
    for name, clip in (("before", before), ("after", after)):
        if not isinstance(clip, Clip):
            raise ValueError(f"{name}: {type(clip).__name__} is not allowed; give a Clip.")
    if (before.rate, before.frames) != (after.rate, after.frames):
        raise ValueError(
            f"after: {after.frames} frames at {after.rate} Hz don't fit before's {before.frames} at {before.rate} Hz."
        )
    active = active_mask(before)
    loud = loudness(before), loudness(after)
    values = dict.fromkeys(SIGNS, math.nan)
    if reduction_db is not None:
        reduction_db = np.asarray(reduction_db, dtype=float)
        if reduction_db.shape != (before.frames,):
            raise ValueError(f"reduction_db: shape {reduction_db.shape} is not allowed; give ({before.frames},).")
        if active.any():
            values["reduction"] = reduction_stats(reduction_db, active).median_db
            values["release"] = _ripple_db(reduction_db, before.rate, active)
            values["restless gain"] = gain_travel_db_per_s(reduction_db, before.rate, active)
    values["onsets"] = _crest_by_second_db(after, active) - _crest_by_second_db(before, active)
    if np.isfinite([loud[0].integrated_lufs, loud[1].integrated_lufs]).all():
        values["make-up"] = loud[1].integrated_lufs - loud[0].integrated_lufs
    values["noise"] = floor_lift_db(before, after, active) if active.any() else math.nan
    values["sibilance"] = _sibilance_lift_db(before, after, active)
    crest = [_crest_db(clip.columns) for clip in (before, after)]
    return CompressionNumbers(values, crest[1] - crest[0], loud[1].range_lu - loud[0].range_lu)


def diagnose(before: Clip, after: Clip, reduction_db=None) -> list[Finding]:
    """What is wrong with a compressed voice, as far as numbers tell.

    Parameters
    ----------
    before, after, reduction_db
        As for :func:`measure_compression`.

    Returns
    -------
    list of Finding
        The worst first; empty where nothing is beyond its limit. Explained in ``08_the_vocal_in_the_mix``.
    """
    return findings(measure_compression(before, after, reduction_db))


def findings(numbers: CompressionNumbers) -> list[Finding]:
    """The faults among numbers that are taken already, the worst first; see :func:`diagnose`.

    Explained in ``08_the_vocal_in_the_mix``.
    """
    found = [
        Finding(name, value, SIGNS[name].sentence.format(value=SIGNS[name].text(value)))
        for name, value in numbers.values.items()
        if _beyond(name, value)
    ]
    return sorted(found, key=lambda finding: -finding.weight)


def compressed_part(result: ChainResult) -> tuple[Clip, Clip, np.ndarray]:
    """What the compressors of a chain got, what came out at the end, and their reduction together.

    Parameters
    ----------
    result : ChainResult

    Returns
    -------
    before, after : Clip
        Before the first stage with a gain reduction that is no de-esser, and at the end of the chain; both the end
        where there is no such stage.
    reduction_db : ndarray, shape (frames,)
        For :func:`measure_compression` and :func:`diagnose`. Explained in ``08_the_vocal_in_the_mix``.
    """
    stages = list(result.stages.values())
    works = [stage.detail is not None and not isinstance(stage.processor, DeEsser) for stage in stages]
    first = works.index(True) if any(works) else len(stages)
    reductions = (stage.reduction_db for stage, does in zip(stages, works) if does)
    reduction_db = sum(reductions, np.zeros(result.source.frames))
    return (stages[first].source if first < len(stages) else result.output), result.output, reduction_db


def _beyond(name, value):
    limit = SIGNS[name].limit
    if name == "make-up":
        return abs(value) > limit
    return value < limit if limit < 0 else value > limit


def _limit_text(name):
    limit = SIGNS[name].limit
    bound = f"within ±{limit:g}" if name == "make-up" else f"not {'below' if limit < 0 else 'above'} {decibels(limit)}"
    return f"({bound})"


def _crest_db(columns) -> float:
    power = float(np.mean(columns * columns))
    return 20 * math.log10(float(np.abs(columns).max()) / math.sqrt(power)) if power > 0 else math.nan


def _crest_by_second_db(clip, active) -> float:
    """Median crest factor of overlapping windows of a second (or the whole of a shorter clip) that are mostly sung."""
    length = min(round(_CREST_WINDOW_S * clip.rate), clip.frames)
    starts = np.arange(0, clip.frames - length + 1, max(length // 2, 1))
    counted = np.concatenate([[0], np.cumsum(active)])
    starts = starts[counted[starts + length] - counted[starts] >= _CREST_SUNG_SHARE * length]
    crests = [_crest_db(clip.columns[start : start + length]) for start in starts]
    return float(np.median(crests)) if crests else math.nan


def _ripple_db(reduction_db, rate, active) -> float:
    low, high = RIPPLE_BAND_HZ
    band = butter(2, (low, min(high, 0.45 * rate)), "bandpass", fs=rate, output="sos")
    step = round(_RIPPLE_STEP_S * rate)
    steps = len(reduction_db) // step
    sung = active[: steps * step].reshape(steps, step).all(axis=1)
    if not sung.any():
        return math.nan
    trembling = sosfiltfilt(band, reduction_db)[: steps * step].reshape(steps, step)
    return float(np.percentile(np.sqrt(8.0 * np.mean(trembling[sung] ** 2, axis=1)), 90))


def _sibilance_lift_db(before, after, active) -> float:
    """How far the s sounds come up against the vowels; NaN where there are none of either."""
    if before.rate <= 2.2 * _SIBILANT_HZ:
        return math.nan
    band = butter(4, _SIBILANT_HZ, "highpass", fs=before.rate, output="sos")
    powers = {}
    for name, clip in (("before", before), ("after", after)):
        high = clip.with_samples(sosfiltfilt(band, clip.columns, axis=0).reshape(clip.samples.shape))
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


# ---------------------------------------------------------------------------------------------------------- gallery


def well_set(voice: Clip) -> Chain:
    """Peak control and steady compression with the proposed settings, and no fault that the numbers know.

    Explained in ``08_the_vocal_in_the_mix``.
    """
    chain = Chain([])
    current = voice
    for propose in (propose_peaks, propose_steady):
        proposal = propose(current)
        if proposal.processor is not None:
            chain = Chain([*chain.stages, (proposal.stage, proposal.processor)])
            current = proposal.processor.apply(current).output
    return chain


def _one(voice, compressor, median_db):
    threshold_db = threshold_for(compressor, voice, "median_db", median_db)
    return Chain([("compressor", dataclasses.replace(compressor, threshold_db=threshold_db))])


@dataclass(frozen=True)
class Fault:
    """A way to get it wrong: what was done, in words, and how, given the voice and the chain that would be right.

    Met in ``08_the_vocal_in_the_mix``.
    """

    words: str
    chain: Callable[[Clip, Chain], Chain]


FAULTS = {
    "nothing": Fault("peak control and steady compression, as proposed", lambda voice, right: right),
    "reduction": Fault(
        "6:1, 5 ms, 1.2 s, the threshold so low that 15 dB go",
        lambda voice, right: _one(voice, Compressor(-30, 6, 5, 1_200), 15.0),
    ),
    "release": Fault(
        "4:1, 1 ms, and a release of only 5 ms", lambda voice, right: _one(voice, Compressor(-30, 4, 1, 5), 3.5)
    ),
    "onsets": Fault(
        "20:1, an attack of 0.1 ms, 300 ms", lambda voice, right: _one(voice, Compressor(-30, 20, 0.1, 300), 6.0)
    ),
    "make-up": Fault(
        "as the one that is right, and 5 dB more of make-up gain",
        lambda voice, right: Chain([*right.stages, ("too much", Gain(5.0))]),
    ),
    "noise": Fault(
        "3:1, 10 ms, a release of 60 ms, 8 dB taken away",
        lambda voice, right: _one(voice, Compressor(-30, 3, 10, 60), 8.2),
    ),
    "sibilance": Fault(
        "as the one that is right, then 9 dB more of everything over 5 kHz",
        lambda voice, right: Chain([*right.stages, ("bright", HighShelf(5_000, 9.0, 0.7))]),
    ),
}
"""The faults of the gallery, by the sign that should tell each; "nothing" is a chain without one."""


def make_faulty(voice: Clip, fault: str, right: Chain | None = None) -> ChainResult:
    """Compress a voice with one fault, and with the loudness given back except where that is the fault.

    Parameters
    ----------
    voice : Clip
        Prepared: level prep and filters done.
    fault : str
        One of ``FAULTS``.
    right : Chain, optional
        The chain that is right, if it is known already: :func:`well_set` of the voice.

    Returns
    -------
    ChainResult
        Explained in ``08_the_vocal_in_the_mix``.
    """
    check_choice("fault", fault, tuple(FAULTS))
    chain = FAULTS[fault].chain(voice, well_set(voice) if right is None else right)
    result = chain.apply(voice)
    if fault == "make-up":
        return result
    gain_db = match_gain_db(loudness(result.output).integrated_lufs, loudness(voice).integrated_lufs)
    return Chain([*chain.stages, ("make-up", Gain(gain_db))]).apply(voice, reuse=result)


class FaultGallery:
    """Renders of one voice with a fault each, and one without, in an order drawn by chance: guess, measure, look.

    Parameters
    ----------
    voice : Clip
        Prepared: level prep and filters done.
    seed : int, optional
        The same seed hangs them in the same order.

    Attributes
    ----------
    voice : Clip
    clips : tuple of Clip
        The renders, number 1 first.

    Notes
    -----
    Explained in ``08_the_vocal_in_the_mix``.
    """

    def __init__(self, voice: Clip, seed: int | None = None):
        random = np.random.default_rng(None if seed is None else check_whole("seed", seed, 0, 2**63 - 1))
        self._faults = tuple(tuple(FAULTS)[place] for place in random.permutation(len(FAULTS)))
        right = well_set(voice)
        self._results = tuple(make_faulty(voice, fault, right) for fault in self._faults)
        self._numbers: dict[int, CompressionNumbers] = {}
        self._guesses: dict[int, str] = {}
        self.voice = voice
        self.clips = tuple(result.output for result in self._results)

    def guess(self, guesses: dict[int, str | None]) -> None:
        """Say what is wrong with each render, by its number; None for those not guessed. The last guess counts.

        Raises
        ------
        ValueError
            If there is no such number or no such fault.
        """
        known = tuple(FAULTS)
        checked = {
            self._number(number): check_choice("guesses", fault, known) for number, fault in guesses.items() if fault
        }
        self._guesses.update(checked)
        if self._guesses:
            print(f"{len(self._guesses)} of {len(self.clips)} guessed. Now the numbers.")
        else:
            print(f"Nothing guessed yet. Put one of {', '.join(known)} in place of a None, and run this cell again.")

    def numbers(self, number: int) -> CompressionNumbers:
        """What the meters say about one render; print it for a table."""
        number = self._number(number)
        if number not in self._numbers:
            result = self._results[number - 1]
            self._numbers[number] = measure_compression(self.voice, result.output, result.reduction_db)
        return self._numbers[number]

    def table(self) -> str:
        """The numbers of all renders side by side, those beyond their limits marked, and no name told."""
        count = range(1, len(self.clips) + 1)
        rows = [f"{'':<38}" + "".join(f"{number:>7} " for number in count)]
        for name, sign in SIGNS.items():
            values = [self.numbers(number).values[name] for number in count]
            marks = "".join(f"{sign.text(value):>7}{'*' if _beyond(name, value) else ' '}" for value in values)
            rows.append(f"{f'{sign.label} ({sign.unit})':<38}{marks}".rstrip())
        return "\n".join([*rows, "* beyond its limit"])

    def reveal(self) -> str:
        """What each render was made with, what was guessed, and what the numbers say first; nothing before a guess."""
        if not self._guesses:
            return "Nothing is told before you have guessed one, at least: do so above, and run this cell again."
        lines, right = [], 0
        for number, fault in enumerate(self._faults, start=1):
            guessed = self._guesses.get(number)
            right += guessed == fault
            told = findings(self.numbers(number))
            lines.append(f"{number}: {fault} ({FAULTS[fault].words})" + (f"; you said {guessed}" if guessed else ""))
            lines.append(f"   {told[0].sentence if told else 'No number is beyond its limit.'}")
        return "\n".join([*lines, f"{right} of {len(self._guesses)} guessed right."])

    def _number(self, number):
        return check_whole("number", number, 1, len(self._faults))
