"""What lies below the voice, and how a compressor reacts to it: rumble, pops, and the reduction that follows them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, find_peaks, sosfilt, sosfiltfilt

from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.meters import active_mask, active_rms_dbfs
from vocomp_lab.analysis.pitch import PitchRange, pitch_range, pitch_track
from vocomp_lab.analysis.stretches import stretches
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.flow import A_PROCESSOR, reducing
from vocomp_lab.sound.audio import A_CLIP, Clip
from vocomp_lab.sound.checks import Each, Of, OrNone, asks, check_number
from vocomp_lab.sound.levels import power_to_db, step_powers
from vocomp_lab.sound.remembered import remembered

LOW_END_HZ = 80.0
"""Everything below this is called the low end: it is under the lowest note of nearly every singer."""
LEVEL_MS = 20.0
"""Window of a running level: about one period of what is measured."""
ACTING_DB = 0.5
"""Reduction below this counts as none."""
AROUND_S = (0.1, 0.25)
"""How long before and after a pop the reduction is looked at."""
POP_MOVES_DB = 1.0
"""A thump is a pop if it adds this much to the reduction that the voice itself asks for."""

# A pop: its least level relative to the voice and to the steady low end, how far it falls back and within what time,
# and the least distance between two.
POP_LEVEL_MS = 50.0
_POP_STEPS_PER_S = 200
_UNDER_VOICE_DB, _OVER_STEADY_DB, _FALLS_BACK_DB = -11.0, 12.0, 6.0
_LONGEST_S, _APART_S, _DRIFT_HZ = 0.3, 0.15, 10.0
# The low end ends this far under the lowest pitches, so that it holds a twentieth of their fundamentals' power at most.
_UNDER_NOTES = 0.85
# The sound before a pop that a compressor must hear to be in the state that the voice has put it in.
_LEAD_S = 0.8
# A thump is a note if the sound above it repeats as often, within this share.
_SAME_PITCH, _NOTE_AROUND_S, _LOWEST_NOTE_HZ = 0.08, (0.1, 0.15), 35.0
# Of the sound around a take's only pop, a quarter is the low end, unless it moves a compressor far.
_SHARE_DB, _SHARE_AROUND_S, _SURELY_MOVES_DB = -6.0, 0.05, 2.0 * POP_MOVES_DB
# From here on a thump has nothing left to repeat.
_ABOVE_THUMPS_HZ = 140.0
# A low cut this far under the lowest pitches takes 0.5 dB off their fundamentals at order 3: 10·log10(1 + 0.7^6).
LOW_CUT_SHARE, LOW_CUT_HZ, USUAL_LOW_CUT_HZ = 0.7, (50.0, 120.0), 80.0
# From this level on, relative to the voice, the steady part of the low end is worth cutting.
STEADY_LOW_DB = -45.0


@asks(clip=A_CLIP)
def split_low_end(clip: Clip, freq_hz: float = LOW_END_HZ) -> tuple[Clip, Clip]:
    """The low end of a clip, and the rest; the two add up to the clip.

    Parameters
    ----------
    clip : Clip
    freq_hz : float
        Where to split, 20 to 300 Hz.

    Returns
    -------
    low, rest : Clip
        Cut by a fourth-order Butterworth low-pass that runs forwards and backwards, so that nothing is late.

    Raises
    ------
    ValueError
        If the frequency is out of its range.

    Notes
    -----
    A tool for measuring, not for mixing.
    """
    freq_hz = check_number("freq_hz", freq_hz, 20, 300, "Hz")
    sections = butter(4, freq_hz, fs=clip.rate, output="sos")
    low = sosfiltfilt(sections, clip.columns, axis=0, padlen=min(clip.frames - 1, clip.rate // 4)).reshape(
        clip.samples.shape
    )
    return clip.with_samples(low), clip.with_samples(clip.samples - low)


@asks(clip=A_CLIP)
def running_level_db(clip: Clip, window_ms: float = LEVEL_MS) -> np.ndarray:
    """RMS level around every frame, all channels together.

    Parameters
    ----------
    clip : Clip
    window_ms : float
        Length of the window, 1 to 1,000 ms, centred on the frame.

    Returns
    -------
    ndarray, shape (frames,)
        dBFS, never under −200.

    Raises
    ------
    ValueError
        If the window is out of its range.
    """
    window_ms = check_number("window_ms", window_ms, 1, 1_000, "ms")
    return _levels_db(clip.samples, clip.rate, window_ms, slice(None))


def _levels_db(samples: np.ndarray, rate: int, window_ms: float, places) -> np.ndarray:
    """:func:`running_level_db` at some frames only: an index of them."""
    frames, half = len(samples), max(int(window_ms * rate / 2_000.0), 1)
    powers = np.square(samples)
    summed = np.concatenate([[0.0], np.cumsum(powers if samples.ndim == 1 else powers.mean(axis=1))])
    places = np.arange(frames)[places]
    first, last = np.maximum(places - half, 0), np.minimum(places + half + 1, frames)
    # The running sum's rounding may leave a little less than nothing.
    return power_to_db(np.maximum((summed[last] - summed[first]) / (last - first), 0.0), -200.0)


@dataclass(frozen=True)
class LowEnd:
    """What lies below a voice.

    Attributes
    ----------
    below_hz : float
        Up to here it was measured: well below the low cut that the voice can take.
    cut_hz : float
        What any voice like this can spare: 0.7 times its lowest notes. (Which cut it needs:
        :func:`vocomp_lab.analysis.lowcut.fit_low_cut`.)
    pitch : PitchRange or None
        What that is worked out from; None if no pitch was found.
    voice_dbfs : float
        RMS of the voice while it sings.
    steady_db : float
        Level of the steady part in the pauses (or the softest moments, if there are none), relative to the voice's RMS.
    thump_db : float
        Level of the loudest 50 ms, relative to the same.
    """

    below_hz: float
    cut_hz: float
    pitch: PitchRange | None
    voice_dbfs: float
    steady_db: float
    thump_db: float

    @property
    def border_hz(self) -> float:
        """Where the low end stops and the voice begins: 80 Hz, or 0.85 times the lowest pitches, if that is lower."""
        return LOW_END_HZ if self.pitch is None else min(LOW_END_HZ, _UNDER_NOTES * self.pitch.low_hz)

    @property
    def rumbles(self) -> bool:
        """Whether the steady part is worth cutting."""
        return self.steady_db > STEADY_LOW_DB


@dataclass(frozen=True)
class Pop:
    """A burst of breath on the microphone.

    Attributes
    ----------
    time_s : float
        When it is loudest.
    level_dbfs : float
        Level below the voice there, as RMS over 50 ms.
    """

    time_s: float
    level_dbfs: float


_POPS = Each(Of(Pop, "a Pop, such as find_pops(clip) finds"), "a list of pops, as find_pops(clip) gives it")


def reference_compressor(clip: Clip) -> Compressor:
    """A steady compressor with its threshold in the midst of the voice: what a low end is judged by.

    Parameters
    ----------
    clip : Clip
        One voice, with some sound in it.

    Returns
    -------
    Compressor
        Threshold 3 dB under the integrated loudness, 3:1, 10 and 150 ms: that of ``03_filtering``. Common practice, no
        source.
    """
    threshold_db = float(np.clip(integrated_lufs(clip) - 3, -60, 0))
    return Compressor(threshold_db=threshold_db, ratio=3, attack_ms=10, release_ms=150)


@asks(clip=A_CLIP, low=OrNone(Of(LowEnd, "what measure_low_end(clip) gives, or None")))
def find_pops(clip: Clip, low: LowEnd | None = None) -> list[Pop]:
    """Thumps below the voice that move a compressor: bursts of breath on the microphone, and footsteps on its stand.

    Parameters
    ----------
    clip : Clip
        One voice.
    low : LowEnd, optional
        What :func:`measure_low_end` gives for the clip, if that is known already.

    Returns
    -------
    list of Pop
        In the order of time; empty where nobody sings or no thump moves a compressor.

    Notes
    -----
    A thump: the level below the voice's low cut (`cut_hz` of :class:`LowEnd`), or below 80 Hz if that is lower, over
    50 ms, comes within 11 dB of the voice's RMS, stands 12 dB above the steady part of the low end, and falls back by
    6 dB within 0.3 s. Of thumps closer than 0.15 s the loudest counts. A thump that repeats as often as the sound above
    it is the fundamental of a low note, and no thump.

    Every recording has thumps that nothing reacts to. So a take pops only if one of them adds 1 dB to the reduction
    that the voice asks of :func:`reference_compressor`. If it is the only one, it must also be a quarter of the sound
    around it, or add 2 dB: the low end of a creaking voice adds a little, too, but the voice above it is much louder.
    Where a take pops, its other thumps are listed as well: whether they move a compressor depends on how loud the voice
    happens to be at that moment.

    Common practice, no source; checked against the synthetic takes' truth, thumps put into the speech of another
    synthesizer, and recorded people.
    """
    low = measure_low_end(clip) if low is None else low
    return [] if low is None else list(_found_pops(clip, low))


@remembered(16)
def _found_pops(clip: Clip, low: LowEnd) -> tuple[Pop, ...]:
    thumps = _thumps(clip, low)
    if not thumps:
        return ()
    compressor, (bass, voice) = reference_compressor(clip), split_low_end(clip, low.border_hz)
    places_s = [thump.time_s for thump in thumps]
    pairs = zip(*(reduction_around(compressor, part, places_s) for part in (clip, voice)))
    extra_db = np.array([np.max(one - of_voice) for one, of_voice in pairs])
    moving = np.flatnonzero(extra_db >= POP_MOVES_DB)
    if not (
        len(moving) > 1
        or any(extra_db[k] >= _SURELY_MOVES_DB or _share_db(bass, clip, places_s[k]) >= _SHARE_DB for k in moving)
    ):
        return ()
    _, above = split_low_end(clip, _ABOVE_THUMPS_HZ)
    pops = [not _is_note(above, bass, thump.time_s) for thump in thumps]
    return tuple(thump for thump, is_pop in zip(thumps, pops) if is_pop) if any(pops[k] for k in moving) else ()


def _share_db(bass: Clip, clip: Clip, time_s: float) -> float:
    """Power of the low end around a thump, relative to that of the whole sound there."""
    start = max(int((time_s - _SHARE_AROUND_S) * clip.rate), 0)
    near = slice(start, start + max(int(2 * _SHARE_AROUND_S * clip.rate), 1))
    powers = (float(np.mean(part.columns[near] ** 2)) for part in (bass, clip))
    return float(np.subtract(*(power_to_db(power, -200.0) for power in powers)))


def _thumps(clip: Clip, low: LowEnd) -> list[Pop]:
    corner_hz = min(low.cut_hz, LOW_END_HZ)
    # Run both ways, so that nothing is late. An offset or a drift would hide where a thump ends.
    sections = np.concatenate(
        [butter(4, corner_hz, fs=clip.rate, output="sos"), butter(1, _DRIFT_HZ, "highpass", fs=clip.rate, output="sos")]
    )
    bass = sosfiltfilt(sections, clip.columns, axis=0, padlen=min(clip.frames - 1, clip.rate // 4))
    step = max(clip.rate // _POP_STEPS_PER_S, 1)
    level_db = _levels_db(bass.reshape(clip.samples.shape), clip.rate, POP_LEVEL_MS, slice(None, None, step))
    least_db = low.voice_dbfs + max(_UNDER_VOICE_DB, low.steady_db + _OVER_STEADY_DB)
    padded_db = np.pad(level_db, 1, constant_values=-300.0)  # a thump at either end counts, too
    apart = round(_APART_S * _POP_STEPS_PER_S)
    places, _ = find_peaks(padded_db, height=least_db, distance=apart, prominence=_FALLS_BACK_DB)
    found = []
    for top in places - 1:
        starts, ends = stretches(level_db > level_db[top] - _FALLS_BACK_DB)
        k = np.searchsorted(starts, top, side="right") - 1
        if (ends[k] - starts[k]) * step / clip.rate <= _LONGEST_S:
            found.append(Pop(float(top * step / clip.rate), float(level_db[top])))
    return found


def _is_note(above: Clip, bass: Clip, time_s: float) -> bool:
    """Whether what lies above a thump repeats as often as the thump itself."""
    start_s, end_s = max(time_s - _NOTE_AROUND_S[0], 0.0), min(time_s + _NOTE_AROUND_S[1], above.duration_s)
    thump = bass.cut(start_s, end_s)
    pitches = pitch_track(above.cut(start_s, end_s), low_hz=_LOWEST_NOTE_HZ).pitch_hz
    pitches = pitches[np.isfinite(pitches)]
    if len(pitches) == 0:
        return False
    lines = 1 << int(np.ceil(np.log2(thump.rate)))  # finer than 1 Hz
    mono = thump.columns.mean(axis=1)
    spectrum = np.abs(np.fft.rfft(mono * np.hanning(len(mono)), lines))
    thump_hz = np.argmax(spectrum) * thump.rate / lines
    return bool(abs(np.median(pitches) / thump_hz - 1) <= _SAME_PITCH) if thump_hz > 0 else False


def reduction_around(processor, clip: Clip, places_s) -> list[np.ndarray]:
    """The reduction of a compressor around some places of a clip, without running it through all of the clip.

    Parameters
    ----------
    processor : processor with a gain reduction
    clip : Clip
    places_s : sequence of float
        Where, in seconds, in the order of time.

    Returns
    -------
    list of ndarray
        For every place, the reduction from 0.1 s before it to 0.25 s after it, in dB. The compressor hears 0.8 s
        more before that.
    """
    spans = []
    for place_s in places_s:
        start = max(int((place_s - AROUND_S[0]) * clip.rate), 0)
        spans.append((start, min(max(int((place_s + AROUND_S[1]) * clip.rate), start + 1), clip.frames)))
    lead, found, n = int(_LEAD_S * clip.rate), [], 0
    while n < len(spans):
        last = n
        while last + 1 < len(spans) and spans[last + 1][0] - lead <= spans[last][1]:
            last += 1
        first = max(spans[n][0] - lead, 0)
        piece = clip.with_samples(clip.samples[first : spans[last][1]])
        reduction_db = processor.apply(piece).reduction_db
        found += [reduction_db[start - first : end - first] for start, end in spans[n : last + 1]]
        n = last + 1
    return found


def _most(extra_db: np.ndarray) -> float:
    return max(float(np.max(extra_db, initial=0.0)), 0.0)


def _border_hz(clip: Clip) -> float:
    low = measure_low_end(clip)
    return LOW_END_HZ if low is None else low.border_hz


@dataclass(frozen=True)
class LowEndReaction:
    """What a compressor does because of the low end; see :func:`low_end_reaction`.

    Attributes
    ----------
    correlation : float
        Between reduction and level of the low end, −1 to 1, over the moments in which the voice asks for nothing; 0
        where either of them stands still.
    extra_db : tuple of float
        For every pop, the most reduction that the low end adds to the voice's own, in dB, ≥ 0.
    """

    correlation: float
    extra_db: tuple[float, ...]

    @property
    def largest_db(self) -> float:
        """The largest of `extra_db`; 0 where nothing pops."""
        return max(self.extra_db, default=0.0)


@asks(processor=A_PROCESSOR, clip=A_CLIP, recorded=OrNone(A_CLIP), pops=OrNone(_POPS))
def low_end_reaction(processor, clip: Clip, recorded: Clip | None = None, pops=None) -> LowEndReaction:
    """Measure how far the reduction of a compressor follows the low end.

    Parameters
    ----------
    processor : processor with a gain reduction
        Such as a :class:`vocomp_lab.Compressor`.
    clip : Clip
        What it is fed.
    recorded : Clip, optional
        The take whose low end is the question, as long as `clip`: give the take before the filter, where `clip` is the
        take after it. By default `clip` itself.
    pops : list of Pop, optional
        Where to look; those found in `recorded` by default. Where there are none, the whole clip is looked at.

    Returns
    -------
    LowEndReaction

    Raises
    ------
    ValueError
        If the two clips differ in length or rate.

    Notes
    -----
    The same processor is also fed the recorded take without its low end, taken out without delay
    (:func:`split_low_end` at `border_hz` of :class:`LowEnd`: 80 Hz where the lowest notes are above 94 Hz). That is what
    the *voice* asks for. The correlation (Pearson's) is taken around the pops,
    over the frames in which that is under 0.5 dB, so that vowels, which are loud for reasons of their own, say nothing;
    reduction under 1 dB counts as none. Common practice, no source.
    """
    recorded = clip if recorded is None else recorded
    if (recorded.frames, recorded.rate) != (clip.frames, clip.rate):
        raise ValueError(
            f"recorded: {recorded.frames} frames at {recorded.rate} Hz are not allowed; give as many as the clip has, "
            f"{clip.frames} at {clip.rate} Hz."
        )
    pops = find_pops(recorded) if pops is None else pops
    low, voice = split_low_end(recorded, _border_hz(recorded))
    reduction_db, of_voice_db = (reducing(processor, one).reduction_db for one in (clip, voice))
    around = np.zeros(clip.frames, bool)
    extra_db = []
    for pop in pops:
        start = max(int((pop.time_s - AROUND_S[0]) * clip.rate), 0)
        near = slice(start, max(int((pop.time_s + AROUND_S[1]) * clip.rate), start + 1))
        around[near] = True
        extra_db.append(_most(reduction_db[near] - of_voice_db[near]))
    there = (around if pops else ~around) & (of_voice_db < ACTING_DB)
    acting_db = np.where(reduction_db > 2 * ACTING_DB, reduction_db, 0.0)
    level_db = _levels_db(low.samples, low.rate, LEVEL_MS, there)
    return LowEndReaction(_correlation(acting_db[there], level_db), tuple(extra_db))


def _correlation(one: np.ndarray, other: np.ndarray) -> float:
    if len(one) < 2 or np.ptp(one) == 0 or np.ptp(other) == 0:
        return 0.0
    return float(np.corrcoef(one, other)[0, 1])


@asks(clip=A_CLIP)
def band_level_db(clip: Clip, low_hz: float, high_hz: float) -> float:
    """RMS level of a clip between two frequencies, in dBFS; −inf for silence.

    Parameters
    ----------
    clip : Clip
    low_hz, high_hz : float
        The band, 1 Hz to half the rate.

    Raises
    ------
    ValueError
        If the band is empty or out of range.

    Notes
    -----
    From the squared Fourier transform of the whole clip (Parseval's theorem), so that the edges are sharp.
    """
    low_hz = check_number("low_hz", low_hz, 1, clip.rate / 2, "Hz")
    high_hz = check_number("high_hz", high_hz, low_hz, clip.rate / 2, "Hz", low_open=True)
    freqs_hz = np.fft.rfftfreq(clip.frames, 1 / clip.rate)
    band = (freqs_hz >= low_hz) & (freqs_hz < high_hz)
    power = np.abs(np.fft.rfft(clip.columns, axis=0)[band]) ** 2
    return power_to_db(2.0 * float(power.sum()) / (clip.frames**2 * clip.channels))


def measure_low_end(clip: Clip, active: np.ndarray | None = None) -> LowEnd | None:
    """Find how low the voice goes, and what lies beneath it.

    Parameters
    ----------
    clip : Clip
    active : ndarray of bool, shape (frames,), optional
        Where somebody sings, if that is known already (:func:`vocomp_lab.analysis.meters.active_mask`).

    Returns
    -------
    LowEnd or None
        None where nobody sings. `cut_hz` is 0.7 times the 5th percentile of pitch, to the nearest 5 Hz, from 50 to
        120 Hz; 80 Hz where there is no pitch. What lies below is measured up to 0.6 times that, through an eighth-order
        low-pass, in steps of 50 ms.

    Notes
    -----
    Common practice, no source.
    """
    return _measured_low_end(clip) if active is None else _low_end(clip, active)


@remembered(16)
def _measured_low_end(clip: Clip) -> LowEnd | None:
    return _low_end(clip, active_mask(clip))


def _low_end(clip: Clip, active: np.ndarray) -> LowEnd | None:
    if not active.any():
        return None
    pitch = pitch_range(clip, active)
    cut_hz = (
        USUAL_LOW_CUT_HZ if pitch is None else float(np.clip(5 * round(LOW_CUT_SHARE * pitch.low_hz / 5), *LOW_CUT_HZ))
    )
    below_hz = round(0.6 * cut_hz, 1)
    low = clip.with_samples(sosfilt(butter(8, below_hz, fs=clip.rate, output="sos"), clip.samples, axis=0))
    edges, powers = step_powers(low, 50.0)
    pauses = ~np.logical_or.reduceat(active, edges[:-1])
    # Where the voice never rests the softest moments must do, which the voice may have lifted.
    steady = np.percentile(powers[pauses], 25) if pauses.sum() >= 5 else np.percentile(powers, 5)
    voice_dbfs = active_rms_dbfs(clip, active)
    steady_db, thump_db = (power_to_db(float(power)) - voice_dbfs for power in (steady, powers.max()))
    return LowEnd(below_hz, cut_hz, pitch, voice_dbfs, steady_db, thump_db)
