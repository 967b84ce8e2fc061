"""The pitch of one voice over time: how low it goes, so that a low cut can stay below it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft
from scipy.signal import butter, resample_poly, sosfiltfilt

from vocomp_lab.analysis.meters import active_mask
from vocomp_lab.sound.audio import A_CLIP, Clip
from vocomp_lab.sound.checks import asks, check_number, checked_active

# High enough to measure a high note within a few cents, low enough to be quick.
_WORK_RATE_HZ = 16_000
_PERIODS = 2
_HIGHEST_PARTIAL_HZ = 3_000.0
# So few stay in the processor's cache.
_FRAMES_AT_ONCE = 250
_LEAST_VOICED = 10


@dataclass(frozen=True, eq=False)
class PitchTrack:
    """Pitch over time; see :func:`pitch_track`.

    Attributes
    ----------
    times_s : ndarray, shape (steps,)
        Middle of the stretch that each value was measured over.
    pitch_hz : ndarray, shape (steps,)
        NaN where the sound has no pitch: consonants, breaths, silence.
    """

    times_s: np.ndarray = field(repr=False)
    pitch_hz: np.ndarray = field(repr=False)

    def nearest(self, times_s) -> np.ndarray:
        """The pitch at the step nearest to each time, shape as `times_s`; NaN where there is none."""
        if len(self.times_s) == 0:
            return np.full(np.shape(times_s), np.nan)
        middles = (self.times_s[1:] + self.times_s[:-1]) / 2
        return self.pitch_hz[np.searchsorted(middles, times_s)]


@dataclass(frozen=True)
class PitchRange:
    """The range of a voice's pitch: 5th percentile, median and 95th percentile, in Hz."""

    low_hz: float
    median_hz: float
    high_hz: float


@asks(clip=A_CLIP)
def pitch_track(
    clip: Clip, low_hz: float = 60.0, high_hz: float = 1_000.0, threshold: float = 0.15, step_ms: float = 10.0
) -> PitchTrack:
    """Follow the pitch of one voice.

    Parameters
    ----------
    clip : Clip
        One voice; several channels are averaged.
    low_hz, high_hz : float
        Pitches to look for, 30 to 2,000 Hz.
    threshold : float
        0.01 to 0.9. How different two neighbouring periods may be, relative to the average difference of any two stretches, for the
        sound to count as having a pitch.
    step_ms : float
        1 to 1,000 ms.

    Returns
    -------
    PitchTrack
        Empty for a clip shorter than three periods of `low_hz`.

    Raises
    ------
    ValueError
        If a setting is out of its range.

    Notes
    -----
    A. de Cheveigné and H. Kawahara, "YIN, a fundamental frequency estimator for speech and music", J. Acoust. Soc. Am.
    111(4), 2002: difference function (eq. 6, computed by FFT with eq. 7), its cumulative mean normalisation (eq. 8),
    the first dip under an absolute threshold, and a parabola through it; without the paper's last step, the search for
    a better estimate near by. The sound is kept to the band from `low_hz` to 3,000 Hz first, without rumble and hiss.
    """
    low_hz = check_number("low_hz", low_hz, 30, 2_000, "Hz")
    high_hz = check_number("high_hz", high_hz, low_hz, 2_000, "Hz", low_open=True)
    threshold = check_number("threshold", threshold, 0.01, 0.9)
    step_ms = check_number("step_ms", step_ms, 1, 1_000, "ms")
    factor = max(clip.rate // _WORK_RATE_HZ, 1)
    rate = clip.rate / factor
    longest, shortest = int(np.ceil(rate / low_hz)) + 1, max(int(rate / high_hz), 2)
    width = _PERIODS * longest
    reach = width + longest + 1
    mono = resample_poly(clip.columns.mean(axis=1), 1, factor)
    if len(mono) < reach:
        return PitchTrack(np.empty(0), np.empty(0))
    band = butter(4, (low_hz, min(_HIGHEST_PARTIAL_HZ, 0.45 * rate)), "bandpass", fs=rate, output="sos")
    mono = sosfiltfilt(band, mono, padlen=min(len(mono) - 1, 200))
    starts = np.arange(0, len(mono) - reach + 1, max(int(round(step_ms * rate / 1000)), 1))
    frames = np.lib.stride_tricks.sliding_window_view(mono, reach)
    batches = (starts[n : n + _FRAMES_AT_ONCE] for n in range(0, len(starts), _FRAMES_AT_ONCE))
    found = [_pitches(frames[batch], width, shortest, threshold) for batch in batches]
    return PitchTrack((starts + reach / 2) / rate, rate / np.concatenate(found))


def _pitches(frames: np.ndarray, width: int, shortest: int, threshold: float) -> np.ndarray:
    """The period of each frame in samples, NaN where there is none; frames are (n, width + longest period + 1)."""
    lags = frames.shape[1] - width
    # As long as a frame is enough: no lag reaches beyond its end, so nothing wraps around.
    size = next_fast_len(frames.shape[1], real=True)
    alike = irfft(np.conj(rfft(frames[:, :width], size)) * rfft(frames, size), size)[:, :lags]
    energy = np.cumsum(np.pad(frames**2, ((0, 0), (1, 0))), axis=1)
    energy = energy[:, width : width + lags] - energy[:, :lags]
    unlike = np.maximum(energy[:, :1] + energy - 2.0 * alike, 0.0)
    mean = np.cumsum(unlike[:, 1:], axis=1) / np.arange(1, lags)
    # Silence has no pitch.
    silent = energy[:, :1] <= 1e-15 * width
    shape = np.where(silent | (mean <= 0), 1.0, unlike[:, 1:] / np.where(mean > 0, mean, 1.0))

    before, here, after = shape[:, :-2], shape[:, 1:-1], shape[:, 2:]
    dip = (here < threshold) & (here <= before) & (here <= after)
    dip[:, : shortest - 2] = False  # column k stands for a lag of k + 2
    first = dip.argmax(axis=1)
    rows = np.arange(len(frames))
    left, middle, right = (unlike[rows, first + 2 + shift] for shift in (-1, 0, 1))
    bend = left - 2.0 * middle + right
    shift = np.where(bend > 0, 0.5 * (left - right) / np.where(bend > 0, bend, 1.0), 0.0)
    return np.where(dip.any(axis=1), first + 2 + np.clip(shift, -0.5, 0.5), np.nan)


@asks(clip=A_CLIP)
def pitch_range(clip: Clip, active: np.ndarray | None = None) -> PitchRange | None:
    """The range of a voice's pitch while it sings.

    Parameters
    ----------
    clip : Clip
        One voice.
    active : ndarray of bool, shape (frames,), optional
        Where somebody sings, if that is known already (:func:`vocomp_lab.analysis.meters.active_mask`).

    Returns
    -------
    PitchRange or None
        None if hardly anything has a pitch: silence, noise, whispering.

    Notes
    -----
    Percentiles of :func:`pitch_track` while somebody sings, so that a few octave errors, or hum in a pause, don't count.
    """
    track = pitch_track(clip)
    frames = np.minimum((track.times_s * clip.rate).astype(int), clip.frames - 1)
    active = active_mask(clip) if active is None else checked_active(active, (clip.frames,))
    pitches = track.pitch_hz[active[frames] & np.isfinite(track.pitch_hz)]
    if len(pitches) < _LEAST_VOICED:
        return None
    return PitchRange(*(float(value) for value in np.percentile(pitches, [5, 50, 95])))
