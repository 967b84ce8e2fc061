"""The s sounds of a voice: where they are, and how far they stand out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from vocomp_lab.analysis.meters import active_mask
from vocomp_lab.analysis.stretches import bridged, stretches
from vocomp_lab.processors.deesser import DeEsser
from vocomp_lab.sound.audio import A_CLIP, Clip
from vocomp_lab.sound.checks import Spans, asks
from vocomp_lab.sound.levels import db_to_power, power_to_db
from vocomp_lab.sound.remembered import remembered

HISS_DB = -30.0
"""A sound is a hiss if the band exceeds this, in dB relative to the voice's running level; soft s sounds count, too."""
SHARP_DB = -16.0
"""The s sounds are sharp if the louder quarter exceeds this above 6 kHz, in dB relative to the voice's running level."""
# Gaps that don't end a hiss, and its shortest length.
BRIDGE_MS, SHORTEST_MS = 15.0, 45.0
# A hiss farther than this from any singing is a breath.
NEAR_MS = 100.0
# Where a hiss begins: so much of its power above 2 kHz lies below. An sh begins lower than any s, and where the s sounds
# disagree by more than this there is no one place.
_BELOW_SHARE, _HISS_FROM_HZ, _LOWEST_S_HZ, _MOST_APART_HZ = 0.1, 2_000.0, 4_000.0, 1_500.0
# Bursts of breath on the microphone: the thump lies below this, and stands this far over the hiss.
_THUMP_HZ, _THUMP_OVER_DB = 120.0, 6.0


@asks(clip=A_CLIP)
def find_sibilants(
    clip: Clip, freq_hz: float = DeEsser.freq_hz, threshold_db: float = HISS_DB
) -> list[tuple[float, float]]:
    """Where a voice hisses: its s, sh and z sounds, and what else sounds like them.

    Parameters
    ----------
    clip : Clip
    freq_hz : float
        Where the band of the hiss begins, as in :class:`DeEsser`.
    threshold_db : float
        What the band must exceed to be a hiss, in dB relative to the voice's running level.

    Returns
    -------
    list of (float, float)
        Start and end of each, in seconds, in the order of time.

    Raises
    ------
    ValueError
        If a setting is out of its range, or the clip's rate is too low for the band.

    Notes
    -----
    Gaps under 15 ms are bridged. Anything shorter than 45 ms is the burst of a t or k, or a click; anything more than
    0.1 s away from singing is a breath. In an s, the band from half of `freq_hz` up holds more power than the one
    below it, from a sixth of `freq_hz`: the breath of a p, and a bright vowel, fall off towards the highs. And
    whatever has a thump below 120 Hz that is 6 dB over all that is above a sixth of `freq_hz` is a pop. Common
    practice, no source; checked against the synthetic takes' truth.
    """
    level_db = _hiss_db(clip, DeEsser(threshold_db=threshold_db, freq_hz=freq_hz).freq_hz)
    starts, ends = _hisses(clip, level_db > threshold_db, active_mask(clip), freq_hz)
    return [(float(start / clip.rate), float(end / clip.rate)) for start, end in zip(starts, ends)]


def _hisses(clip: Clip, hissing: np.ndarray, active: np.ndarray, freq_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """First frames, and the frames after the last, of the hisses that are long enough, near singing, and no burst."""
    starts, ends = bridged(*stretches(hissing), BRIDGE_MS * clip.rate / 1000.0)
    counted, near = np.concatenate([[0], np.cumsum(active)]), int(NEAR_MS * clip.rate / 1000.0)
    kept = counted[np.minimum(ends + near, len(active))] > counted[np.maximum(starts - near, 0)]
    kept &= ends - starts >= SHORTEST_MS * clip.rate / 1000.0
    starts, ends = starts[kept], ends[kept]
    sharp = np.array([_rises(clip, start, end, freq_hz) for start, end in zip(starts, ends)], bool)
    return starts[sharp], ends[sharp]


def _rises(clip: Clip, start: int, end: int, freq_hz: float) -> bool:
    """Whether a hiss is stronger towards the highs, as an s is, and no thump comes with it."""
    piece = clip.columns[start:end]
    power = np.sum(np.abs(np.fft.rfft(piece * np.hanning(len(piece))[:, None], axis=0)) ** 2, axis=1)
    freqs_hz = np.fft.rfftfreq(len(piece), 1 / clip.rate)
    thump, middle, high = (
        float(power[(freqs_hz >= low) & (freqs_hz < top)].sum())
        for low, top in ((0, _THUMP_HZ), (freq_hz / 6, freq_hz / 2), (freq_hz / 2, clip.rate))
    )
    return high > middle and thump < db_to_power(_THUMP_OVER_DB) * (middle + high)


@asks(clip=A_CLIP, spans=Spans())
def span_mask(clip: Clip, spans) -> np.ndarray:
    """True inside the spans, shape (frames,).

    Parameters
    ----------
    clip : Clip
    spans : sequence of (float, float)
        Start and end in seconds.
    """
    times_s, inside = clip.times_s(), np.zeros(clip.frames, bool)
    for start, end in spans:
        inside[slice(*np.searchsorted(times_s, (start, end)))] = True
    return inside


@asks(clip=A_CLIP, spans=Spans())
def sibilance_balance_db(clip: Clip, spans, freq_hz: float = DeEsser.freq_hz) -> float:
    """How loud the hiss is relative to the rest of the singing.

    Parameters
    ----------
    clip : Clip
    spans : sequence of (float, float)
        Start and end of the s sounds in seconds, such as from :func:`find_sibilants`. To compare versions of one take,
        find them once and use them for all.
    freq_hz : float
        Where the band of the hiss begins.

    Returns
    -------
    float
        RMS level of the band above `freq_hz` within the spans, minus that of the whole sound in the rest of the sung
        part, in dB; NaN where either is missing.

    Raises
    ------
    ValueError
        If the clip's rate is too low for the band.

    Notes
    -----
    Common practice, no source.
    """
    inside = span_mask(clip, spans)
    rest = active_mask(clip) & ~inside
    _, high = DeEsser(freq_hz=freq_hz).split(clip)
    if not (inside.any() and rest.any()):
        return math.nan
    hiss, voice = high.columns[inside], clip.columns[rest]
    return float(power_to_db(np.mean(hiss * hiss)) - power_to_db(np.mean(voice * voice)))


def hiss_level_db(clip: Clip, spans, freq_hz: float = DeEsser.freq_hz) -> float:
    """The level above `freq_hz` that the louder quarter of the s sounds exceeds, relative to the voice's running level.

    Parameters
    ----------
    clip : Clip
    spans : sequence of (float, float)
        Start and end of the s sounds in seconds, such as from :func:`find_sibilants`.
    freq_hz : float

    Returns
    -------
    float
        In dB, on the scale of a :class:`DeEsser`'s threshold; NaN without s sounds.

    Raises
    ------
    ValueError
        If the clip's rate is too low for the band.
    """
    tops = _tops(_hiss_db(clip, DeEsser(freq_hz=freq_hz).freq_hz), _frames(clip, spans))
    return float(np.percentile(tops, 75)) if len(tops) else math.nan


def hiss_begins_hz(clip: Clip, spans) -> float:
    """Where the hiss of the louder s sounds begins: nine tenths of what they have above 2 kHz lie higher.

    Parameters
    ----------
    clip : Clip
    spans : sequence of (float, float)
        Start and end of the s sounds in seconds, such as from :func:`find_sibilants`.

    Returns
    -------
    float
        In Hz; NaN where it can't be told: nearly all of them begin so low that they are sh, or they don't agree.

    Notes
    -----
    The middle one of the louder half counts. Common practice, no source; on people that nothing was tuned on:
    ``tests/test_sibilance_recorded.py``.
    """
    if DeEsser().freq_hz >= clip.rate / 2 or not len(spans):
        return math.nan
    frames = _frames(clip, spans)
    tops = _tops(_hiss_db(clip, DeEsser.freq_hz), frames)
    begins = np.array([_begins_hz(clip, *one) for one, top in zip(frames, tops) if top >= np.median(tops)])
    of_s = begins[begins >= _LOWEST_S_HZ]
    if len(of_s) < 2 or 2 * len(of_s) < len(begins) or np.diff(np.percentile(of_s, [25, 75]))[0] > _MOST_APART_HZ:
        return math.nan
    return float(np.median(of_s))


@remembered(1)  # who looks for s sounds asks next how loud they are, and where they begin; a long one takes much memory
def _hiss_db(clip: Clip, freq_hz: float) -> np.ndarray:
    """The level that a de-esser goes by, whatever its threshold."""
    return DeEsser(freq_hz=freq_hz).detector_db(clip)


def _begins_hz(clip: Clip, start: int, end: int) -> float:
    piece = clip.columns[start:end].mean(axis=1)
    power = np.abs(np.fft.rfft(piece * np.hanning(len(piece)))) ** 2
    freqs_hz = np.fft.rfftfreq(len(piece), 1 / clip.rate)
    power[freqs_hz < _HISS_FROM_HZ] = 0.0
    risen = np.cumsum(power)
    return float(freqs_hz[np.searchsorted(risen, _BELOW_SHARE * risen[-1])])


def _frames(clip: Clip, spans) -> list[tuple[int, int]]:
    frames = ((round(start * clip.rate), min(round(end * clip.rate), clip.frames)) for start, end in spans)
    return [(start, end) for start, end in frames if end > start]


def _tops(level_db: np.ndarray, spans) -> np.ndarray:
    """The level that the loudest quarter of each exceeds."""
    return np.array([np.percentile(level_db[start:end], 75) for start, end in spans])


@dataclass(frozen=True)
class Sibilance:
    """How sharp the s sounds of a clip are.

    Attributes
    ----------
    count : int
        How many s sounds there are.
    level_db : float
        Level above 6 kHz that the louder quarter of them exceeds, relative to the voice's running level; NaN if there are none.
    """

    count: int
    level_db: float

    @property
    def sharp(self) -> bool:
        """Whether they stand out enough to try a de-esser."""
        return self.level_db > SHARP_DB


def measure_sibilance(clip: Clip, active: np.ndarray | None = None) -> Sibilance:
    """Find the s sounds and how far they stand out.

    Parameters
    ----------
    clip : Clip
    active : ndarray of bool, shape (frames,), optional
        Where somebody sings, if that is known already (:func:`vocomp_lab.analysis.meters.active_mask`).

    Returns
    -------
    Sibilance
        None found in a silent clip, or at a sample rate that can't hold them (12,000 Hz and below).

    Notes
    -----
    Levels as :class:`vocomp_lab.DeEsser` sees them: the band above 6 kHz relative to the voice's running level. The s
    sounds are those of :func:`find_sibilants`; each counts with the level that its loudest quarter exceeds. Common
    practice, no source.
    """
    active = active_mask(clip) if active is None else active
    if not active.any() or DeEsser().freq_hz >= clip.rate / 2:
        return Sibilance(0, math.nan)
    level_db = _hiss_db(clip, DeEsser.freq_hz)
    tops = _tops(level_db, zip(*_hisses(clip, level_db > HISS_DB, active, DeEsser().freq_hz)))
    return Sibilance(len(tops), float(np.percentile(tops, 75)) if len(tops) else math.nan)
