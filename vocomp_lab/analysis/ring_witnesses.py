"""What a take can tell of a ring: the noise in its pauses, its voiced sounds and its unvoiced ones.

Each is a witness of its own. For every bell of a grid, a witness says how many dB of it it finds, and how far that may be
off. What a voice or a noise may look like without a ring is written as a Gaussian process over log frequency, so that
everything below is least squares with known spreads. The project's own, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import resample_poly

from vocomp_lab.analysis.meters import active_mask
from vocomp_lab.analysis.pitch import PitchTrack, pitch_track
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import power_to_db
from vocomp_lab.sound.remembered import remembered

BELLS_HZ = np.geomspace(160.0, 1_400.0, 48)
BELLS_Q = np.array([2.0, 3.0, 4.0, 6.0])

# Everything is heard at 8 to 16 kHz. Below 150 Hz a low cut may have been at work, so that nothing is asked there.
_WORK_RATE = 8_000
_SPECTRUM_HZ = (150.0, 1_750.0)
_REFERENCE_HZ = 500.0
_UNIT_BELL_DB = 6.0
# Noise: frames of 160 ms, the quietest of the pauses, until their level is 3 dB up.
_NOISE_FRAME_S, _NOISE_HOP_S, _NOISE_STEP_HZ, _NOISE_STEP, _GUARD_S = 0.16, 0.04, 10.0, 0.03, 0.06
_QUIET_PERCENTILE, _QUIET_RANGE_DB, _LEAST_NOISE_FRAMES, _MOST_MEDIANS = 15, 3.0, 10, 3.0
# Noise this far below the voice is what a converter or a file format leaves, not a room.
_NO_ROOM_DB = 75.0
# Its spectrum: a slow curve, roughness of its own, and now and then a line of hum that counts for little.
_SLOW_SD_DB, _SLOW_OCTAVES, _ROUGH_SD_DB, _ROUGH_OCTAVES, _GRAIN_SD_DB = 10.0, 1.2, 0.5, 0.12, 0.5
_LINE_SDS = 2.0
# Voice: frames of 50 ms at a pitch, and of 40 ms without one.
_VOICED_FRAME_S, _MOST_FRAMES, _PITCH_HZ = 0.05, 250, (75.0, 500.0)
_HARMONICS = np.arange(1, 23)
_LEAST_VOICED, _LEAST_PITCHES = 20, 0.08
_FORMANT_SD_DB, _FORMANT_OCTAVES, _HARMONIC_SD_DB, _FIRST_SD_DB = 8.0, 0.4, 2.0, 4.0
_TILT_DB, _TILT_SD_DB, _BEND_SD_DB = -9.0, 6.0, 2.0
_UNVOICED_FRAME_S, _UNVOICED_HOP_S, _UNVOICED_STEP_HZ, _OVER_NOISE_DB, _LEAST_UNVOICED = 0.04, 0.02, 20.0, 8.0, 30


@dataclass(frozen=True, eq=False)
class Witness:
    """How much of every bell a witness finds.

    Attributes
    ----------
    gain_db, sd_db : ndarray, shape (len(BELLS_HZ), len(BELLS_Q))
        Estimate and its standard deviation; infinite where the witness knows nothing.
    """

    gain_db: np.ndarray
    sd_db: np.ndarray


@dataclass(frozen=True, eq=False)
class Heard:
    """A take, made ready: one channel at a low rate, where somebody sings, and the pitch."""

    samples: np.ndarray
    rate: float
    active: np.ndarray
    pitch: PitchTrack


@remembered(1)  # a long take fills many megabytes
def hear(clip: Clip) -> Heard:
    """Make a clip ready."""
    factor = max(clip.rate // _WORK_RATE, 1)
    samples = resample_poly(clip.columns.mean(axis=1), 1, factor)
    return Heard(samples, clip.rate / factor, active_mask(clip)[::factor], pitch_track(clip, *_PITCH_HZ))


def bell_db(freqs_hz, centre_hz, gain_db, q):
    """Level of a bell's response, by the cookbook's analogue prototype: frequencies lie far below half the rate."""
    a, x = 10.0 ** (gain_db / 40.0), freqs_hz / centre_hz
    resting = (1.0 - x * x) ** 2
    return power_to_db((resting + (x * a / q) ** 2) / (resting + (x / (a * q)) ** 2))


def _bells(freqs_hz):
    """Each bell of the grid with 1 dB (a sixth of one with 6 dB), shape (bells, *freqs)."""
    centres, qs = (
        v.ravel().reshape(-1, *[1] * np.ndim(freqs_hz)) for v in np.meshgrid(BELLS_HZ, BELLS_Q, indexing="ij")
    )
    return bell_db(np.asarray(freqs_hz)[None], centres, _UNIT_BELL_DB, qs) / _UNIT_BELL_DB


def _powers(heard, starts, length, size):
    frames = np.lib.stride_tricks.sliding_window_view(heard.samples, length)[starts]
    return np.abs(np.fft.rfft(frames * np.hanning(length), size, axis=1)) ** 2


def _banded(power, freqs_hz, grid_hz, width_hz):
    ends = [np.searchsorted(freqs_hz, grid_hz + side * width_hz / 2) for side in (-1, 1)]
    return np.stack([power[:, first:last].mean(axis=1) for first, last in zip(*ends)], axis=1)


def pause_noise(heard: Heard):
    """Frequencies, levels in dB and number of frames of the noise in the pauses; None where there is none to speak of."""
    length, hop = int(_NOISE_FRAME_S * heard.rate), int(_NOISE_HOP_S * heard.rate)
    starts = np.arange(0, len(heard.samples) - length + 1, hop)
    if len(starts) == 0 or not heard.active.any():
        return None
    guard = int(_GUARD_S * heard.rate)
    sung = np.concatenate([[0], np.cumsum(heard.active)])
    last = len(sung) - 1
    apart = sung[np.minimum(starts + length + guard, last)] == sung[np.clip(starts - guard, 0, last)]
    size = 4_096 if heard.rate * 0.3 < 4_096 else 8_192
    power = _powers(heard, starts[apart], length, size)
    freqs_hz = np.arange(power.shape[1]) * heard.rate / size
    band = (freqs_hz > _SPECTRUM_HZ[0]) & (freqs_hz < 2_000)
    levels_db = power_to_db(power[:, band].mean(axis=1) + 1e-40, -400)
    loud_db = _band_level_db(heard, length)
    alive = levels_db > loud_db - _NO_ROOM_DB
    if alive.sum() < _LEAST_NOISE_FRAMES:
        return None
    power, levels_db = power[alive], levels_db[alive]
    kept = levels_db < np.percentile(levels_db, _QUIET_PERCENTILE) + _QUIET_RANGE_DB
    if kept.sum() < _LEAST_NOISE_FRAMES:
        return None
    grid_hz, widths_hz = _grid()
    # What is left of the voice comes and goes, and the noise doesn't: single bursts count for no more than a few medians.
    bands = _banded(power[kept], freqs_hz, grid_hz, widths_hz)
    bands = np.minimum(bands, _MOST_MEDIANS * np.median(bands, axis=0))
    levels = power_to_db(bands.mean(axis=0) + 1e-40, -400)
    return grid_hz, levels, 0.4 * kept.sum() * widths_hz / _NOISE_STEP_HZ


def _grid():
    edges = [_SPECTRUM_HZ[0]]
    while edges[-1] < _SPECTRUM_HZ[1]:
        edges.append(edges[-1] + max(_NOISE_STEP_HZ, _NOISE_STEP * edges[-1]))
    edges = np.array(edges)
    return (edges[1:] + edges[:-1]) / 2, np.diff(edges)


def _band_level_db(heard, length):
    """Level of the singing as `pause_noise` measures levels, roughly: the frames that are sung."""
    starts = np.arange(0, len(heard.samples) - length + 1, length)
    starts = starts[heard.active[np.minimum(starts + length // 2, len(heard.active) - 1)]]
    if len(starts) == 0:
        return np.inf
    power = _powers(heard, starts, length, length)
    freqs_hz = np.arange(power.shape[1]) * heard.rate / length
    return power_to_db(power[:, (freqs_hz > _SPECTRUM_HZ[0]) & (freqs_hz < 2_000)].mean(), -400)


def smooth_witness(grid_hz, levels_db, counts) -> Witness:
    """What a nearly smooth spectrum says of every bell."""
    x = np.log2(grid_hz / _REFERENCE_HZ)
    apart = x[:, None] - x
    spread = _SLOW_SD_DB**2 * np.exp(-0.5 * (apart / _SLOW_OCTAVES) ** 2)
    spread += 30.0**2 + 10.0**2 * np.outer(x, x) + _ROUGH_SD_DB**2 * np.exp(-0.5 * (apart / _ROUGH_OCTAVES) ** 2)
    grain = _GRAIN_SD_DB**2 + 4.34**2 / np.maximum(counts, 1)
    bells = _bells(grid_hz)
    trust = np.ones(len(x))
    for _ in range(4):
        weights = np.linalg.inv(spread + np.diag(grain / trust))
        weighted = bells @ weights
        known = np.einsum("bi,bi->b", weighted, bells)
        gains = weighted @ levels_db / known
        best = np.argmax(np.maximum(gains, 0) ** 2 * known)
        misfit = grain / trust * (weights @ (levels_db - bells[best] * max(gains[best], 0))) / np.sqrt(grain)
        trust = np.where(misfit > _LINE_SDS, 0.3 * (_LINE_SDS / np.maximum(misfit, _LINE_SDS)) ** 2, 1.0)
    shape = (len(BELLS_HZ), len(BELLS_Q))
    return Witness(gains.reshape(shape), (known**-0.5).reshape(shape))


def voiced_witness(heard: Heard) -> Witness | None:
    """What the harmonics say of every bell; None without enough of them, or where they keep to one pitch.

    Each frame's level, tilt, bend and formants are unknown, by so much as is usual in a voice, and what a bell adds is found
    by weighted least squares over all frames.
    """
    length = int(_VOICED_FRAME_S * heard.rate)
    there = np.isfinite(heard.pitch.pitch_hz)
    starts = (heard.pitch.times_s[there] * heard.rate - length / 2).astype(int)
    pitch_hz = heard.pitch.pitch_hz[there]
    inside = (starts >= 0) & (starts + length <= len(heard.samples))
    starts, pitch_hz = starts[inside], pitch_hz[inside]
    if len(starts) < _LEAST_VOICED or np.subtract(*np.log(np.percentile(pitch_hz, (95, 5)))) < _LEAST_PITCHES:
        return None
    count = min(len(starts), _MOST_FRAMES)
    picked = np.unique(np.linspace(0, len(starts) - 1, count).astype(int))
    starts, pitch_hz = starts[picked], pitch_hz[picked]
    size = 4_096
    power = _powers(heard, starts, length, size)
    line_hz = heard.rate / size
    freqs_hz = pitch_hz[:, None] * _HARMONICS
    reach = np.arange(-12, 13)
    lines = np.clip(np.round(freqs_hz / line_hz).astype(int)[:, :, None] + reach, 0, power.shape[1] - 1)
    near = np.take_along_axis(power[:, None, :], lines, axis=2)
    near = np.where(np.abs(reach) <= np.maximum(0.15 * pitch_hz / line_hz, 2)[:, None, None], near, 0.0)
    levels_db = power_to_db(near.max(axis=2) + 1e-40, -400)
    told = (freqs_hz > _SPECTRUM_HZ[0]) & (freqs_hz < _SPECTRUM_HZ[1])
    x = np.where(told, np.log2(freqs_hz / _REFERENCE_HZ), 0.0)
    apart = x[:, :, None] - x[:, None, :]
    product = x[:, :, None] * x[:, None, :]
    spread = _FORMANT_SD_DB**2 * np.exp(-0.5 * (apart / _FORMANT_OCTAVES) ** 2)
    spread += 30.0**2 + _TILT_SD_DB**2 * product + _BEND_SD_DB**2 * product**2
    spread[:, 0, 0] += _FIRST_SD_DB**2
    spread += _HARMONIC_SD_DB**2 * np.eye(len(_HARMONICS))
    both = told[:, :, None] & told[:, None, :]
    weights = np.linalg.inv(np.where(both, spread, np.eye(len(_HARMONICS)))) * both
    rest = np.where(told, levels_db - _TILT_DB * x, 0.0)
    weighted = np.einsum("tij,tj->ti", weights, rest)
    bells = _bells(freqs_hz) * told
    found = np.einsum("bti,ti->b", bells, weighted)
    known = np.einsum("bti,bti->b", bells, np.matmul(bells.transpose(1, 0, 2), weights).transpose(1, 0, 2))
    shape = (len(BELLS_HZ), len(BELLS_Q))
    known = np.maximum(known, 1e-9).reshape(shape)
    return Witness(found.reshape(shape) / known, known**-0.5)


def unvoiced_witness(heard: Heard) -> Witness | None:
    length, hop = int(_UNVOICED_FRAME_S * heard.rate), int(_UNVOICED_HOP_S * heard.rate)
    starts = np.arange(0, len(heard.samples) - length + 1, hop)
    times = (starts + length / 2) / heard.rate
    at = heard.pitch.times_s[np.isfinite(heard.pitch.pitch_hz)]
    if len(at) == 0:
        return None
    place = np.searchsorted(at, times)
    near = np.minimum(np.abs(at[np.maximum(place - 1, 0)] - times), np.abs(at[np.minimum(place, len(at) - 1)] - times))
    size = 2_048
    power = _powers(heard, starts, length, size)
    freqs_hz = np.arange(power.shape[1]) * heard.rate / size
    levels_db = power_to_db(power[:, (freqs_hz > 200) & (freqs_hz < 1_500)].mean(axis=1) + 1e-40, -400)
    alive = levels_db > levels_db.max() - 80
    kept = alive & (near > 0.03) & (levels_db > np.percentile(levels_db[alive], 20) + _OVER_NOISE_DB)
    if kept.sum() < _LEAST_UNVOICED:
        return None
    grid_hz = np.arange(*_SPECTRUM_HZ, _UNVOICED_STEP_HZ)
    spectra = power_to_db(_banded(power[kept], freqs_hz, grid_hz, 1.5 * _UNVOICED_STEP_HZ) + 1e-40, -400)
    return smooth_witness(
        grid_hz,
        np.median(spectra - spectra.mean(axis=1, keepdims=True), axis=0),
        np.full(len(grid_hz), 0.4 * kept.sum()),
    )
