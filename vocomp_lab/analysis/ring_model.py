"""Explaining a voice by source and formants, and looking for the one bell that helps every explanation.

Where a voice is as simple as this model, which so far means a synthetic one, that is the finest test for a ring. Recorded
people are not explained well enough; :func:`explained_ring` measures that and then says nothing.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from vocomp_lab.analysis.ring_witnesses import Heard, bell_db
from vocomp_lab.sound.levels import power_to_db

# Analysis: in frames of 60 ms every 20 ms, five of which make a moment; moments start every 60 ms.
_FRAME_S, _HOP_S, _FRAMES_A_MOMENT, _MOMENT_HOP = 0.06, 0.02, 5, 2
_MOST_MOMENTS = 300
# So few stay in the processor's cache.
_MOMENTS_AT_ONCE = 8
_LINE_HZ = 3.0
_LOWEST_HZ = 75.0
_HARMONICS = np.arange(1, 16)
_SEARCH_HZ = 30.0
_SPECTRUM_HZ = (70.0, 1_600.0)

# The voice, and how far it may stray from that (standard deviations). Tuned on takes of the two synthetic singers.
_TILT_DB_PER_OCTAVE, _TILT_SD = -8.5, 3.0
_FIRST_HARMONIC_SD_DB = 3.0
_MISFIT_SD_DB = 1.5
_MISFIT_CAP = 3.0
_F1_HZ, _F2_HZ = np.geomspace(250, 950, 40), np.geomspace(650, 2_600, 24)
_FIXED_FORMANTS = ((2_800.0, 150.0), (3_500.0, 200.0))
# The ring: most takes need a small cut, and rooms ring about as narrowly as this.
_GAIN_SD_DB = 5.0
_Q_USUAL, _Q_SD_NEPERS = 3.0, 0.2
# When a voice counts as explained, and when it isn't worth trying. Level, tilt and two formants use up four harmonics.
_FITTED, _EXPLAINED, _HOPELESS = 4, 1.3, 3.5


@dataclass(frozen=True)
class Bell:
    """A bell by its three numbers."""

    freq_hz: float
    gain_db: float
    q: float


def explained_rings(heard: Heard, low_hz: float, high_hz: float, count: int) -> list[Bell] | None:
    """The bells that explain most, the best first.

    Parameters
    ----------
    heard : Heard
    low_hz, high_hz : float
        Where to look.
    count : int

    Returns
    -------
    list of Bell or None
        None if the model doesn't explain this voice, so that nothing can be said.

    Notes
    -----
    The harmonics' levels of every moment are held against a·1 + tilt + formants + bell: Fant's source–filter theory,
    with resonances as in Klatt's cascade synthesizer (J. Acoust. Soc. Am. 67(3), 1980) and the bell of R.
    Bristow-Johnson's cookbook. For each of some 900 pairs of formants the level, the tilt (−8.5 ± 3 dB per octave) and
    the strength of the first harmonic are found by least squares; the best pair counts, and the misfits of all moments
    are added up. The bell minimises that sum, with a gain taken to be 0 ± 5 dB and a Q of 3 within a fifth beforehand.
    The method is the project's own, no source. A voice counts as explained if half its moments are hit within 1.15
    standard deviations (of 1.5 dB, for every harmonic that isn't used up by the fit): the two synthetic singers come to
    0.8 at most, and recorded people to 1.8 and more.
    """
    voice = _voice(heard)
    if voice is None or voice.error() > _HOPELESS:
        return None
    found = voice.best_bells(low_hz, high_hz, count)
    return found if voice.error(found) <= _EXPLAINED else None


@functools.lru_cache(maxsize=1)  # whoever cuts a ring asks for the sure ones first, and then for what else may ring
def _voice(heard: Heard) -> _Voice | None:
    """The model of a voice; None if nothing in it has a pitch."""
    freqs_hz, levels_db = _moments(heard)
    return _Voice(freqs_hz, levels_db) if len(freqs_hz) else None


def _moments(heard: Heard) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies in Hz and levels in dB of the harmonics of every voiced moment, (moments, harmonics), or NaN."""
    mono, rate = heard.samples, heard.rate
    length, hop = int(_FRAME_S * rate), int(_HOP_S * rate)
    span = length + (_FRAMES_A_MOMENT - 1) * hop
    starts = np.arange(0, len(mono) - span + 1, _MOMENT_HOP * hop)
    starts = starts[heard.active[np.minimum(starts + span // 2, len(heard.active) - 1)]]
    if len(starts) == 0:
        return np.empty((0, len(_HARMONICS))), np.empty((0, len(_HARMONICS)))
    starts = starts[np.unique(np.linspace(0, len(starts) - 1, min(len(starts), _MOST_MOMENTS)).astype(int))]

    window = np.hanning(length)
    firsts = (starts[:, None] + hop * np.arange(_FRAMES_A_MOMENT)).ravel()
    frames = np.lib.stride_tricks.sliding_window_view(mono, length)[firsts] * window
    size = int(rate / _LINE_HZ) // 2 * 2
    power = np.abs(np.fft.rfft(frames, size, axis=1)) ** 2
    pitch_hz = heard.pitch.nearest((firsts + length / 2) / rate)
    voiced = np.isfinite(pitch_hz)

    # The highest line near each harmonic.
    line_hz = rate / size
    reach = int(_SEARCH_HZ / line_hz)
    nearest = np.round(np.where(voiced, pitch_hz, _LOWEST_HZ)[:, None] * _HARMONICS / line_hz).astype(int)
    lines = np.clip(nearest[:, :, None] + np.arange(-reach, reach + 1), 0, power.shape[1] - 1)
    near = np.take_along_axis(power[:, None, :], lines, axis=2)
    top = near.argmax(axis=2)
    freqs_hz = line_hz * np.take_along_axis(lines, top[:, :, None], axis=2)[:, :, 0]
    levels_db = power_to_db(near.max(axis=2), -300.0)
    inside = (top > 0) & (top < 2 * reach) & (freqs_hz > _SPECTRUM_HZ[0]) & (freqs_hz < _SPECTRUM_HZ[1])
    there = (inside & voiced[:, None]).reshape(len(starts), _FRAMES_A_MOMENT, -1)
    often = there.sum(axis=1) >= 3
    kept = often.sum(axis=1) >= 4

    def middle(values):
        values = np.ma.masked_array(values.reshape(there.shape), ~there)[kept]
        return np.where(often[kept], np.ma.median(values, axis=1).filled(np.nan), np.nan)

    return middle(freqs_hz), middle(levels_db)


class _Voice:
    """How badly a bell, together with the best voice for every moment, explains the harmonics."""

    def __init__(self, freqs_hz, levels_db):
        there = np.isfinite(freqs_hz)
        self.freqs_hz = np.where(there, freqs_hz, 500.0)
        octaves = np.log2(self.freqs_hz / 500.0)
        # Level, tilt and first harmonic are unknown by so much; with the misfit this is how levels may vary together.
        first = np.zeros_like(octaves)
        first[:, 0] = _FIRST_HARMONIC_SD_DB
        free = np.stack([np.full_like(octaves, 30.0), _TILT_SD * octaves, first], axis=2) * there[:, :, None]
        spread = free @ free.transpose(0, 2, 1) + _MISFIT_SD_DB**2 * np.eye(there.shape[1])
        self.weights = np.linalg.inv(spread) * (there[:, :, None] & there[:, None, :])
        rest = np.where(there, levels_db, 0.0) - _TILT_DB_PER_OCTAVE * octaves
        for formant in _FIXED_FORMANTS:
            rest = rest - _formant_db(self.freqs_hz, *formant)
        first_formant = np.stack([_formant_db(self.freqs_hz, f, 60.0 + 0.02 * f) for f in _F1_HZ], axis=1)
        second_formant = np.stack([_formant_db(self.freqs_hz, f, 100.0) for f in _F2_HZ], axis=1)
        apart = (_F2_HZ > 1.25 * _F1_HZ[:, None]).ravel()
        self.alone = np.empty((len(rest), np.count_nonzero(apart)))
        # The pairs last: a bell is then held against all of them in one stretch of memory.
        self.weighted = np.empty((len(rest), rest.shape[1], np.count_nonzero(apart)))
        for few in (slice(first, first + _MOMENTS_AT_ONCE) for first in range(0, len(rest), _MOMENTS_AT_ONCE)):
            pairs = first_formant[few, :, None] + second_formant[few, None]
            misfit_db = rest[few, None] - pairs.reshape(len(pairs), -1, rest.shape[1])[:, apart]
            weighted = misfit_db @ self.weights[few]
            self.weighted[few] = weighted.transpose(0, 2, 1)
            weighted *= misfit_db
            self.alone[few] = np.sum(weighted, axis=2)
        self.count = there.sum(axis=1)
        self.cap = _MISFIT_CAP * self.count
        self._bells: dict[tuple[float, float], list[Bell]] = {}

    def misfits(self, bells_db) -> np.ndarray:
        """Sum over the moments of the squared misfit with each bell's gain, (moments, bells, harmonics), taken as given."""
        found = self.alone[:, None, :] - 2.0 * (bells_db @ self.weighted)
        own = np.einsum("sbn,sbn->sb", bells_db @ self.weights, bells_db)
        return np.minimum(found.min(axis=2) + own, self.cap[:, None]).sum(axis=0)

    def error(self, bells=()) -> float:
        """Mean squared misfit per harmonic that isn't used up by the fit, of the moment in the middle of all."""
        bells_db = sum((_shape(self.freqs_hz, bell) for bell in bells), np.zeros_like(self.freqs_hz))
        left = (self.alone - 2.0 * np.einsum("sn,snp->sp", bells_db, self.weighted)).min(axis=1)
        left += np.einsum("sn,snm,sm->s", bells_db, self.weights, bells_db)
        return float(np.median(left / np.maximum(self.count - _FITTED, 1)))

    def best_bells(self, low_hz, high_hz, count) -> list[Bell]:
        """The bells that explain most, each besides those before it; what was found once is not looked for again."""
        found = self._bells.setdefault((low_hz, high_hz), [])
        while len(found) < count:
            found.append(self.best_bell(low_hz, high_hz, found))
        return found[:count]

    def best_bell(self, low_hz, high_hz, known) -> Bell:
        """The bell that explains most, besides those known."""
        others = sum((_shape(self.freqs_hz, ring) for ring in known), np.zeros_like(self.freqs_hz))

        def misfits(bells):
            log_freqs, gains_db, log_qs = np.reshape(bells, (-1, 3)).T
            unlikely = (gains_db / _GAIN_SD_DB) ** 2 + ((log_qs - np.log(_Q_USUAL)) / _Q_SD_NEPERS) ** 2
            outside = np.maximum(np.maximum(np.log(low_hz) - log_freqs, log_freqs - np.log(high_hz)), 0.0)
            shape = (np.exp(log_freqs)[:, None], gains_db[:, None], np.exp(log_qs)[:, None])
            bells_db = others[:, None, :] + bell_db(self.freqs_hz[:, None, :], *shape)
            # Moments overlap, so that every frame is counted more than once.
            share = _MOMENT_HOP / _FRAMES_A_MOMENT
            return self.misfits(bells_db) * share + unlikely + 1e6 * outside

        usual_log_q = np.log(_Q_USUAL)
        log_freqs = np.linspace(np.log(low_hz), np.log(high_hz), 25)
        starts = np.array([(log_freq, gain_db, usual_log_q) for log_freq in log_freqs for gain_db in (2.0, 4.0, 8.0)])
        # Many at once are far quicker than one by one, and few enough to stay in the processor's cache.
        start = starts[np.concatenate([misfits(few) for few in np.array_split(starts, 5)]).argmin()]
        inwards = 0.1 if start[0] + 0.1 < np.log(high_hz) else -0.1
        corners = start + np.array([[0, 0, 0], [inwards, 0, 0], [0, 2, 0], [0, 0, 0.4]])
        options = {"initial_simplex": corners, "xatol": 0.003, "fatol": 0.02, "maxfev": 200}
        log_freq, gain_db, log_q = minimize(
            lambda bell: misfits(bell)[0], start, method="Nelder-Mead", options=options
        ).x
        return Bell(float(np.exp(log_freq)), float(gain_db), float(np.exp(log_q)))


def _shape(freqs_hz, bell: Bell):
    return bell_db(freqs_hz, bell.freq_hz, bell.gain_db, bell.q)


def _formant_db(freqs_hz, centre_hz, bandwidth_hz):
    """Level of a formant's response, 0 dB far below it."""
    x = freqs_hz / centre_hz
    return -power_to_db((1.0 - x * x) ** 2 + (x * bandwidth_hz / centre_hz) ** 2)
