"""Where notes begin, and how far each beginning stands out from what follows it.

A compressor with a slow attack lets the beginning through and turns down the rest; this is where that is measured.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.signal import butter, find_peaks, sosfilt

from vocomp_lab.analysis.meters import active_mask
from vocomp_lab.sound.audio import A_CLIP, CURVE_RATE, Clip
from vocomp_lab.sound.checks import MOST_SECONDS, REDUCTION, By, Range, asks, check_number, check_numbers, shown
from vocomp_lab.sound.levels import power_to_db, step_powers
from vocomp_lab.sound.remembered import remembered

ONSET_MS = 50.0
SUSTAIN_MS = (120.0, 250.0)
"""What counts as the beginning of a note, and as its continuation, in ms from where it starts."""
_STEP_MS = 5.0
_FINE_MS = 10.0
_WEAK_DB = 14.0
_FLOOR_DB = 40.0


def _checked_sustain(sustain_ms) -> tuple[float, float]:
    try:
        from_ms, to_ms = sustain_ms
    except (TypeError, ValueError):
        raise ValueError(
            f"sustain_ms: {shown(sustain_ms)} is not allowed; give two times in ms, from and to."
        ) from None
    from_ms = check_number("sustain_ms", from_ms, ONSET_MS, 2_000, "ms")
    return from_ms, check_number("sustain_ms", to_ms, from_ms, 2_000, "ms", low_open=True)


@asks(clip=A_CLIP)
def find_onsets(clip: Clip, rise_db: float = 8.0, apart_ms: float = 150.0) -> np.ndarray:
    """Where notes begin: the moments at which the voice rises out of a consonant, a dip or a pause.

    Parameters
    ----------
    clip : Clip
    rise_db : float
        How far the mean power of the next 50 ms must exceed that of the last 50 ms. 1 to 40 dB.
    apart_ms : float
        Of beginnings closer together than this, the steepest counts. 10 to 2,000 ms.

    Returns
    -------
    ndarray, shape (onsets,)
        Seconds, rising; empty where nothing is sung.

    Raises
    ------
    ValueError
        If a setting is out of its range.

    Notes
    -----
    The level is taken above 120 Hz and with 6 dB less per octave above 1 kHz, so that the beginning of a *note* is
    found, not the burst or hiss before it. What starts softly and stays soft (a breath) is left out: both the
    beginning and what follows 120 ms later must come within 14 dB of the voice's loud level, the 90th percentile.
    Common practice (an energy rise), no source; held against the synthetic singers' truth in
    ``tests/test_onsets.py``.
    """
    rise_db = check_number("rise_db", rise_db, 1, 40, "dB")
    apart_ms = check_number("apart_ms", apart_ms, 10, 2_000, "ms")
    active = active_mask(clip)
    if not active.any():
        return np.empty(0)
    band = np.concatenate(
        [butter(4, 120, "highpass", fs=clip.rate, output="sos"), butter(1, 1_000, fs=clip.rate, output="sos")]
    )
    edges, powers = step_powers(clip.with_samples(sosfilt(band, clip.samples, axis=0)), _STEP_MS)
    loud_db = power_to_db(np.percentile(powers[active[edges[:-1]]], 90), floor_db=-200.0)
    reach, later = round(ONSET_MS / _STEP_MS), round(SUSTAIN_MS[0] / _STEP_MS)
    around = np.pad(powers, (reach, reach + later))
    means = np.lib.stride_tricks.sliding_window_view(around, reach).mean(axis=1)
    level_db = power_to_db(means, floor_db=loud_db - _FLOOR_DB)
    count = len(powers)
    before, after, following = (level_db[first : first + count] for first in (0, reach, reach + later))
    strong = np.minimum(after, following) > loud_db - _WEAK_DB
    # A step of silence on either side, so that a voice that starts with the first sample has a beginning, too.
    rises = np.pad(np.where(strong, after - before, 0.0), 1)
    places, _ = find_peaks(rises, height=rise_db, distance=max(round(apart_ms / _STEP_MS), 1))
    return edges[places - 1] / clip.rate


@asks(clip=A_CLIP, sustain_ms=By(_checked_sustain))
def onset_to_sustain_db(clip: Clip, onsets_s, sustain_ms: tuple[float, float] = SUSTAIN_MS) -> np.ndarray:
    """How far the beginning of each note stands out from what follows it.

    Parameters
    ----------
    clip : Clip
    onsets_s : array_like, shape (onsets,)
        Where the notes begin, in seconds: from :func:`find_onsets`, of the *source* where several results are
        compared.
    sustain_ms : (float, float)
        What counts as the note's continuation: from when to when after its beginning. 50 to 2,000 ms.

    Returns
    -------
    ndarray, shape (onsets,)
        Level (RMS) of the loudest 10 ms within 50 ms of each beginning, minus that of the sustain, in dB. NaN where the
        next note begins or the clip ends before the sustain does, or where either is silent.

    Raises
    ------
    ValueError
        If a time is negative, NaN or infinite, or the sustain is empty or out of range.

    Notes
    -----
    Common practice, no source. One note's figure says as much about its vowel as about its attack; what a compressor
    did is the *difference* between two results at the same onsets. The attack that makes beginnings stand out the most
    depends on `sustain_ms`: the later the sustain, the slower.
    """
    from_ms, to_ms = sustain_ms
    onsets_s = _checked_times(onsets_s)
    fine = max(round(_FINE_MS * clip.rate / 1000), 1)
    power = np.square(clip.columns).mean(axis=1)
    summed = np.concatenate([[0.0], np.cumsum(power)])
    starts = np.rint(onsets_s * clip.rate).astype(int)
    first = round(from_ms * clip.rate / 1000)
    last = max(round(to_ms * clip.rate / 1000), first + 1)
    # A note ends where the next begins, or with the clip; equal starts are one note.
    ends = np.append(np.unique(starts), np.iinfo(int).max)
    whole = starts + last <= ends[np.searchsorted(ends, starts, side="right")].clip(max=clip.frames)
    starts = starts[whole]
    steps = starts[:, None] + fine * np.arange(max(round(ONSET_MS / _FINE_MS), 1))
    beginning = ((summed[steps + fine] - summed[steps]) / fine).max(axis=1, initial=0.0)
    following = (summed[starts + last] - summed[starts + first]) / (last - first)
    contrast_db = np.full(len(whole), np.nan)
    heard = (beginning > 1e-20) & (following > 1e-20)
    found = np.full(len(starts), np.nan)
    found[heard] = power_to_db(beginning[heard]) - power_to_db(following[heard])
    contrast_db[whole] = found
    return contrast_db


def beginnings_change_db(source: Clip, output: Clip, reduction_db, floor_db: float = 0.5) -> float:
    """How much farther the beginnings of notes stand out after a compressor than before it, where it acts.

    Parameters
    ----------
    source, output : Clip
        What went in and what came out, of the same rate and length.
    reduction_db : array_like, shape (frames,)
    floor_db : float
        A note that is reduced by no more than this, from its beginning to the end of its sustain, doesn't count.

    Returns
    -------
    float
        Median over those notes of the change of :func:`onset_to_sustain_db`, in dB; below 0 where beginnings are cut
        off. NaN where it acts on no note that lasts. Common practice, no source; see ``06_slow_attack``.
    """
    onsets_s, before_db = _beginnings(source)
    starts = np.rint(onsets_s * source.rate).astype(int)
    length = round(SUSTAIN_MS[1] * source.rate / 1000)
    acts = [np.max(reduction_db[start : start + length], initial=0.0) > floor_db for start in starts]
    change_db = (onset_to_sustain_db(output, onsets_s) - before_db)[np.array(acts, dtype=bool)]
    change_db = change_db[np.isfinite(change_db)]
    return float(np.median(change_db)) if len(change_db) else math.nan


@remembered(16)  # of one voice, for every move of a control
def _beginnings(clip: Clip) -> tuple[np.ndarray, np.ndarray]:
    onsets_s = find_onsets(clip)
    return onsets_s, onset_to_sustain_db(clip, onsets_s)


@asks(reduction_db=REDUCTION, rate=CURVE_RATE, floor_db=Range(0, 100, "dB"))
def recovered_percent(reduction_db, rate: int, onsets_s, floor_db: float = 0.5) -> np.ndarray:
    """How much of the reduction a compressor has let go by the time the next note begins.

    Parameters
    ----------
    reduction_db : array_like, shape (frames,)
    rate : int
    onsets_s : array_like, shape (onsets,)
        Where the notes begin, in seconds.
    floor_db : float
        A note with no more reduction than this has nothing to let go.

    Returns
    -------
    ndarray, shape (onsets − 1,) or (0,)
        For each note but the last, the share of its largest reduction that is gone at its end, just before the next
        one; NaN for a note without reduction.

    Raises
    ------
    ValueError
        If a time is negative, NaN, infinite or beyond the reduction's end.
    """
    starts = np.rint(_checked_times(onsets_s) * rate).astype(int)
    if len(starts) and starts.max() >= len(reduction_db):
        last_s, end_s = starts.max() / rate, len(reduction_db) / rate
        raise ValueError(f"onsets_s: {last_s:g} s is not allowed; the reduction ends at {end_s:g} s.")
    if len(starts) < 2:
        return np.empty(0)
    largest = np.maximum.reduceat(reduction_db, starts)[:-1]
    # The least within the note's last 50 ms: the next consonant may already ask for reduction again.
    reach = max(round(ONSET_MS * rate / 1000), 1)
    last = np.maximum(starts[1:] - reach, starts[:-1])
    least = np.minimum.reduceat(reduction_db, np.ravel([last, starts[1:]], order="F"))[::2]
    share = np.full(len(largest), np.nan)
    worked = largest > floor_db
    share[worked] = 100.0 * (1.0 - least[worked] / largest[worked])
    return share


def _checked_times(onsets_s) -> np.ndarray:
    return check_numbers("onsets_s", onsets_s, 0, MOST_SECONDS, "s").reshape(-1)
