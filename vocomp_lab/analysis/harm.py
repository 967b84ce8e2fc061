"""Whether a whole chain does harm: what no single stage's number shows, and which stage to blame."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.fft import rfft
from scipy.signal import butter, sosfilt

from vocomp_lab.analysis.evenness import word_levels
from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.meters import active_mask, noise_floor_dbfs, peak_to_loudness_ratio_db, reduction_stats
from vocomp_lab.analysis.resonance import CANT_TELL, LEAST_RING_DB, find_resonances
from vocomp_lab.analysis.words import voiced_words
from vocomp_lab.processors.chain import ChainResult, StageResult
from vocomp_lab.processors.deesser import DeEsser
from vocomp_lab.processors.filters import Peaking
from vocomp_lab.processors.gain import Gain
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import db_to_power, power_to_db
from vocomp_lab.sound.text import decibels

SPREAD_LU, PEAKS_DB, ROOM_DB, MOST_LIFT_DB, BAND_DB, HIGHS_DB = 0.1, 0.5, 0.5, 9.0, 3.0, 6.0
"""How far each number may get worse: spread of the words, peak-to-loudness ratio, noise floor beyond the gains that
were set, noise floor against the voice, any third-octave band, and the highs."""
# Thirds of an octave by powers of ten (IEC 61260, value from memory), 160 Hz to 4 kHz, and those of the highs.
_BANDS, _HIGHS = range(22, 37), range(38, 43)
_WINDOW_S = 0.085
_STEPS_AT_ONCE = 16
HISS_PERCENT = 25.0
"""A de-esser that acts in more of the sung time than this turns down more than s sounds (``03_filtering``)."""
# Below this lies rumble; taking it out would hide what comes up above it.
_ROOM_FROM_HZ = 150.0
# A ring that is found at this distance, as a ratio, is the one that a bell cuts.
_SAME_PLACE = 1.15


@dataclass(frozen=True)
class HarmCheck:
    """One thing that a chain must not do to a voice.

    Attributes
    ----------
    name : str
    ok : bool or None
        None where the clip has nothing to tell it by.
    measured, limit : float
        The number behind it, and the most that it may be; NaN where there is none.
    blamed : str or None
        The stage that does most of it; None unless the check fails.
    sentence : str
    """

    name: str
    ok: bool | None
    measured: float
    limit: float
    blamed: str | None
    sentence: str

    def __str__(self):
        verdict = {True: "fine", False: "HARM", None: CANT_TELL}[self.ok]
        return f"{self.name}: {verdict}. {self.sentence}"


@dataclass(frozen=True)
class Harm:
    """What a chain does to a voice as a whole. Made by :func:`measure_harm`; printing it gives a line for each check."""

    checks: tuple[HarmCheck, ...]

    @property
    def ok(self) -> bool:
        """Whether nothing got worse, as far as can be told."""
        return all(check.ok is not False for check in self.checks)

    def __getitem__(self, name: str) -> HarmCheck:
        return {check.name: check for check in self.checks}[name]

    def __str__(self):
        return "\n".join(map(str, self.checks))


def measure_harm(result: ChainResult, ring_db: float = LEAST_RING_DB) -> Harm:
    """Check a whole chain for what it must not do, whatever its stages are for.

    Parameters
    ----------
    result : ChainResult
    ring_db : float
        A bell may cut by more than 3 dB where a ring of so much is found before it.

    Returns
    -------
    Harm
        Five checks. *words*: they are no farther apart than in the raw take. *peaks*: the peak-to-loudness ratio is at
        most 0.5 dB higher. *room*: what is heard in the pauses above 150 Hz comes up by 0.5 dB at most beyond the gains
        that were set (trim and make-up), and by 9 dB at most against the voice. *tone*: no third of an octave from
        160 Hz to 4 kHz changes by over 3 dB while the voice sings, except where a bell takes out a ring. *highs*: what
        lies above loses 6 dB at most, and no de-esser acts in over a quarter of the sung time.

    Notes
    -----
    *Room*: a compressor that takes 3 dB off the voice and gives 3 dB back brings the room up by 3 dB, and that is its
    price. What comes up farther was lifted by something else, such as a gain region that reaches into the pauses.
    *Tone*: in every step of 85 ms, the gain that half of the bands have is taken out first, so that only filters
    count and no compressor. The blamed stage is the one whose own output is worst against its own input. Common
    practice, no source.
    """
    source, stages = result.source, list(result.stages.values())
    active = active_mask(source)
    words = voiced_words(source) if active.any() else []
    return Harm(
        (
            _words(source, stages, words),
            _peaks(source, stages),
            _room(source, stages, active),
            *_tone(source, stages, active, ring_db),
        )
    )


def _output(source: Clip, stages: list[StageResult]) -> Clip:
    return stages[-1].output if stages else source


def _unknown(name: str, why: str) -> HarmCheck:
    return HarmCheck(name, None, math.nan, math.nan, None, why)


def _worst(stages: list[StageResult], worse_by) -> str:
    """The stage that makes a number worse by most."""
    return max(stages, key=lambda stage: np.nan_to_num(worse_by(stage), nan=-np.inf)).name


def _words(source: Clip, stages, words) -> HarmCheck:
    def spread(clip: Clip) -> float:
        return word_levels(clip, words).spread_lu

    if len(words) < 2:
        return _unknown("words", "There are fewer than two words to compare.")
    before, after = spread(source), spread(_output(source, stages))
    if not math.isfinite(before + after):
        return _unknown("words", "No word is heard.")
    told = f"from {decibels(before)} to {decibels(after)} LU"
    if after <= before + SPREAD_LU:
        return HarmCheck("words", True, after - before, SPREAD_LU, None, f"Their spread goes {told}.")
    blamed = _worst(stages, lambda stage: spread(stage.output) - spread(stage.source))
    return HarmCheck(
        "words", False, after - before, SPREAD_LU, blamed,
        f"The words end farther apart than they were, {told}, and “{blamed}” does most of it.",
    )  # fmt: skip


def _peaks(source: Clip, stages) -> HarmCheck:
    before, after = (peak_to_loudness_ratio_db(clip) for clip in (source, _output(source, stages)))
    if not math.isfinite(before + after):
        return _unknown("peaks", "There is no loudness to compare them with.")
    told = f"from {decibels(before)} to {decibels(after)} dB over the loudness"
    if after <= before + PEAKS_DB:
        return HarmCheck("peaks", True, after - before, PEAKS_DB, None, f"They go {told}.")
    ratios_db = [before, *(peak_to_loudness_ratio_db(stage.output) for stage in stages)]
    rises_db = dict(zip((stage.name for stage in stages), np.diff(ratios_db)))
    blamed = _worst(stages, lambda stage: rises_db[stage.name])
    return HarmCheck(
        "peaks", False, after - before, PEAKS_DB, blamed,
        f"The peaks stand out more than they did, {told}, and “{blamed}” does most of it.",
    )  # fmt: skip


def _set_gain_db(stage: StageResult) -> float:
    """The gain that somebody set on a stage: a trim, or make-up."""
    if isinstance(stage.processor, Gain):
        return stage.processor.gain_db
    return float(getattr(stage.processor, "makeup_db", 0.0))


def _room(source: Clip, stages, active) -> HarmCheck:
    sections = butter(4, _ROOM_FROM_HZ, "highpass", fs=source.rate, output="sos")

    def floor_dbfs(clip: Clip) -> float:
        return noise_floor_dbfs(clip.with_samples(sosfilt(sections, clip.samples, axis=0)), active)

    def loudness_change(first: Clip, last: Clip) -> float:
        return integrated_lufs(last) - integrated_lufs(first)

    def beyond(stage: StageResult) -> float:
        return floor_dbfs(stage.output) - floor_dbfs(stage.source) - _set_gain_db(stage)

    def lift(stage: StageResult) -> float:
        floor_db = floor_dbfs(stage.output) - floor_dbfs(stage.source)
        return floor_db - loudness_change(stage.source, stage.output)

    if not active.any():
        return _unknown("room", "Nobody sings in this clip.")
    output, before = _output(source, stages), floor_dbfs(source)
    if not math.isfinite(before):
        return _unknown("room", "There is no pause with a room in it.")
    risen_db = floor_dbfs(output) - before
    if not math.isfinite(risen_db):
        return HarmCheck("room", True, risen_db, ROOM_DB, None, "The pauses are silent.")
    set_db = sum(map(_set_gain_db, stages))
    lifted_db = risen_db - loudness_change(source, output)
    told = f"the pauses change by {decibels(risen_db, sign=True)} dB where {decibels(set_db)} dB of gain was set"
    if risen_db > set_db + ROOM_DB:
        blamed = _worst(stages, beyond)
        return HarmCheck(
            "room", False, risen_db - set_db, ROOM_DB, blamed,
            f"{told[0].upper()}{told[1:]}, and “{blamed}” does most of it.",
        )  # fmt: skip
    if lifted_db > MOST_LIFT_DB:
        blamed = _worst(stages, lift)
        return HarmCheck(
            "room", False, lifted_db, MOST_LIFT_DB, blamed,
            f"The pauses come up by {decibels(lifted_db)} dB against the voice, and “{blamed}” does most of it.",
        )  # fmt: skip
    against = f"{decibels(lifted_db, sign=True)} dB against the voice"
    return HarmCheck("room", True, risen_db - set_db, ROOM_DB, None, f"{told[0].upper()}{told[1:]}: {against}.")


def _band_powers(clip: Clip, active, numbers) -> np.ndarray:
    """Power of each third of an octave in every step that is mostly sung, shape (steps, bands)."""
    length = int(_WINDOW_S * clip.rate)
    hop = length // 2
    firsts = np.arange(0, clip.frames - length + 1, hop)
    counted = np.concatenate([[0], np.cumsum(active)])
    firsts = firsts[counted[firsts + length] - counted[firsts] > length // 2]
    edges_hz = 10 ** (np.array([numbers[0] - 0.5, *(number + 0.5 for number in numbers)]) / 10)
    edges = np.minimum(np.ceil(edges_hz * length / clip.rate).astype(int), length // 2)
    window, mono = np.hanning(length), clip.columns.mean(axis=1)
    powers = np.empty((len(firsts), len(numbers)))
    summed = np.zeros((_STEPS_AT_ONCE, length // 2 + 2))
    steps = sliding_window_view(mono, length) if len(firsts) else None
    for few in (slice(first, first + _STEPS_AT_ONCE) for first in range(0, len(firsts), _STEPS_AT_ONCE)):
        spectra = rfft(steps[firsts[few]] * window, axis=1)
        sums = summed[: len(spectra)]
        np.cumsum(np.square(spectra.real) + np.square(spectra.imag), axis=1, out=sums[:, 1:])
        powers[few] = np.diff(sums[:, edges])
    return powers


def _tone_change(before: Clip, after: Clip, active) -> tuple[np.ndarray, float]:
    """Change of every band and of the highs while the voice sings, in dB, the voice's own gain taken out."""
    numbers = [number for number in (*_BANDS, *_HIGHS) if 10 ** ((number + 0.5) / 10) <= 0.5 * before.rate]
    powers, changed = (_band_powers(clip, active, numbers) for clip in (before, after))
    bands = len([number for number in numbers if number in _BANDS])
    if not len(powers) or not (powers[:, :bands].sum() > 0 and changed[:, :bands].sum() > 0):
        return np.empty(0), math.nan
    gains_db = power_to_db(changed[:, :bands], -300.0) - power_to_db(powers[:, :bands], -300.0)
    step_db = np.median(gains_db, axis=1)
    level = changed[:, :bands] / db_to_power(step_db)[:, None]
    change_db = power_to_db(level.sum(axis=0), -300.0) - power_to_db(powers[:, :bands].sum(axis=0), -300.0)
    change_db -= _agreed(change_db)
    before_highs, after_highs = powers[:, bands:].sum(), changed[:, bands:].sum()
    if not before_highs > 0:
        return change_db, math.nan
    # A wideband de-esser turns down whole steps, so only the voice's usual gain is taken out of the highs.
    return change_db, power_to_db(float(after_highs / before_highs), -300.0) - float(np.median(step_db))


def _agreed(values: np.ndarray) -> float:
    """What half of the values agree on best: the mean of the half that lies closest together."""
    ordered, half = np.sort(values), len(values) // 2 + 1
    widths = ordered[half - 1 :] - ordered[: len(ordered) - half + 1]
    first = int(widths.argmin())
    return float(ordered[first : first + half].mean())


def _busiest_de_esser(stages, active) -> tuple[str | None, float]:
    """The de-esser that acts most of the sung time, and its share of it in percent; None and 0 without one."""
    shares = [
        (100 * reduction_stats(stage.reduction_db, active).share, stage.name)
        for stage in stages
        if isinstance(stage.processor, DeEsser)
    ]
    share, name = max(shares, default=(0.0, None))
    return name, share


def _tone(source: Clip, stages, active, ring_db: float) -> tuple[HarmCheck, HarmCheck]:
    if not active.any():
        return tuple(_unknown(name, "Nobody sings in this clip.") for name in ("tone", "highs"))
    change_db, highs_db = _tone_change(source, _output(source, stages), active)
    if not len(change_db):
        return tuple(_unknown(name, "There is too little singing to compare.") for name in ("tone", "highs"))
    centres_hz = 10 ** (np.array(_BANDS)[: len(change_db)] / 10)
    if np.abs(change_db).max() > BAND_DB:
        for stage in stages:
            if _takes_out_a_ring(stage, ring_db):
                change_db = change_db - stage.processor.response_db(centres_hz, source.rate)
    worst = int(np.abs(change_db).argmax())
    value_db, at = float(change_db[worst]), f"{centres_hz[worst]:.0f} Hz"
    if abs(value_db) <= BAND_DB:
        told = f"No third of an octave changes by over {decibels(abs(value_db))} dB, rings left out."
        tone = HarmCheck("tone", True, abs(value_db), BAND_DB, None, told)
    else:
        of_stage = lambda stage: _tone_change(stage.source, stage.output, active)[0]  # noqa: E731
        side = math.copysign(1.0, value_db)
        blamed = _worst(stages, lambda stage: side * found[worst] if len(found := of_stage(stage)) else math.nan)
        tone = HarmCheck(
            "tone", False, abs(value_db), BAND_DB, blamed,
            f"The voice changes by {decibels(value_db, sign=True)} dB near {at}, which no sure ring explains, and “{blamed}” does "
            "most of it.",
        )  # fmt: skip
    name, share = _busiest_de_esser(stages, active)
    if share > HISS_PERCENT:
        told = f"“{name}” acts in {share:.0f} % of the sung time, so it turns down more than s sounds."
        return tone, HarmCheck("highs", False, share, HISS_PERCENT, name, told)
    if math.isnan(highs_db):
        return tone, _unknown("highs", "The clip has none.")
    if highs_db >= -HIGHS_DB:
        told = f"They change by {decibels(highs_db, sign=True)} dB against the voice, where {HIGHS_DB:g} dB may go."
        return tone, HarmCheck("highs", True, -highs_db, HIGHS_DB, None, told)
    blamed = _worst(stages, lambda stage: -_tone_change(stage.source, stage.output, active)[1])
    told = f"The highs lose {decibels(-highs_db)} dB against the voice, so s sounds go missing, and “{blamed}” does most of it."
    return tone, HarmCheck("highs", False, -highs_db, HIGHS_DB, blamed, told)


def _takes_out_a_ring(stage: StageResult, ring_db: float) -> bool:
    """Whether a stage is a bell that cuts no more than what the finder says about its place."""
    bell = stage.processor
    if not isinstance(bell, Peaking) or bell.gain_db >= 0:
        return False
    return any(
        1 / _SAME_PLACE <= ring.freq_hz / bell.freq_hz <= _SAME_PLACE and ring.gain_db >= max(ring_db, -bell.gain_db)
        for ring in find_resonances(stage.source)
    )
