"""Which low cut a voice needs: the lowest that takes out what a compressor would react to, and what it costs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import resample_poly

from vocomp_lab.analysis.lowend import (
    POP_MOVES_DB,
    STEADY_LOW_DB,
    LowEnd,
    Pop,
    find_pops,
    measure_low_end,
    reduction_around,
    reference_compressor,
    split_low_end,
)
from vocomp_lab.analysis.meters import active_mask
from vocomp_lab.analysis.stretches import stretches
from vocomp_lab.processors.filters import HighPass
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import db_to_power, power_to_db

CORNERS_HZ = tuple(float(hz) for hz in range(50, 125, 5))
ORDERS = (3, 4)
"""18 dB per octave, and 24 where there is little room between the pops and the notes."""
LEFT_DB = 0.5
"""This much extra reduction may be left at a pop: what ``03_filtering`` asks for."""
MOST_COST_DB, CHEAP_DB = 3.0, 1.0
"""A cut never takes more than the first off the lowest notes; up to the second, the gentler slope will do."""
RUMBLE_FALLS_DB = 10.0
# Of what is left at a pop, a third of what it did is tolerated where more is not to be had.
_SHARE_LEFT = 1 / 3
# The search aims a little lower than it may, since it hears only the stretches around the pops.
_MARGIN_DB = 0.05
_LOW_RATE_HZ, _WINDOW_S = 1_000, 0.5


@dataclass(frozen=True)
class LowCut:
    """A low cut for a voice, and what it does. Made by :func:`fit_low_cut`.

    Attributes
    ----------
    processor : HighPass
    pops : tuple of Pop
        What it was made for.
    extra_db : tuple of float
        The most that a pop adds to the reduction, before and after the cut, in dB; 0 without pops.
    steady_db : tuple of float
        Level of the rumble relative to the voice, before and after, in dB.
    cost_db : float or None
        What it takes off the lowest notes, in dB, ≥ 0; None where there is no pitch.
    """

    processor: HighPass
    pops: tuple[Pop, ...]
    extra_db: tuple[float, float]
    steady_db: tuple[float, float]
    cost_db: float | None

    @property
    def enough(self) -> bool:
        """Whether the pops no longer move a compressor: by 1 dB at most, or a third of what they did."""
        before_db, after_db = self.extra_db
        return after_db <= max(POP_MOVES_DB, _SHARE_LEFT * before_db)


def fit_low_cut(clip: Clip, low: LowEnd | None = None, pops=None) -> LowCut | None:
    """Find the lowest corner at which the pops and the rumble are out.

    Parameters
    ----------
    clip : Clip
        One voice.
    low : LowEnd, optional
        What :func:`vocomp_lab.analysis.lowend.measure_low_end` gives for the clip, if that is known already.
    pops : list of Pop, optional
        Those of the clip, if they are known already.

    Returns
    -------
    LowCut or None
        None where nobody sings, or neither pops nor rumble are there to cut.

    Notes
    -----
    Corners of 50 to 120 Hz in steps of 5 Hz, at 18 dB per octave, and at 24 where that doesn't do. A cut is enough if
    no pop adds more than 0.5 dB to the reduction that the voice asks of
    :func:`vocomp_lab.analysis.lowend.reference_compressor`, and the rumble is too soft to need a cut. It may take 1 dB
    off the lowest notes (the 5th percentile of pitch). Where that isn't possible, it may take 3 dB, and leave rumble
    that is 10 dB softer. The next best is to leave 1 dB, or a third, of what the pops did; and where that isn't possible
    either, as little as there may be. Common practice, no source.
    """
    low = measure_low_end(clip) if low is None else low
    if low is None:
        return None
    pops = find_pops(clip, low) if pops is None else list(pops)
    if not (pops or low.rumbles):
        return None
    extra_after = _extra_at(clip, low, pops)
    rumble_after = _rumble_at(clip, low.below_hz)
    note_hz = None if low.pitch is None else low.pitch.low_hz

    def cost_of(cut: HighPass) -> float | None:
        return None if note_hz is None else float(max(-cut.response_db([note_hz], clip.rate)[0], 0.0))

    def made(cut: HighPass) -> LowCut:
        steady_db = low.steady_db + rumble_after(cut)
        return LowCut(cut, tuple(pops), (before_db, extra_after(cut)), (low.steady_db, steady_db), cost_of(cut))

    def rumble_out(cut: HighPass, fallen_db: float) -> bool:
        change_db = rumble_after(cut)
        return change_db <= -fallen_db or low.steady_db + change_db <= STEADY_LOW_DB

    before_db = extra_after(None)
    third_db = max(POP_MOVES_DB, _SHARE_LEFT * before_db)
    affordable = []
    # Rumble is worth less than pops: it is taken out wholly where that is cheap.
    for left_db, fallen_db, most_cost_db in (
        (LEFT_DB, np.inf, CHEAP_DB),
        (LEFT_DB, RUMBLE_FALLS_DB, MOST_COST_DB),
        (third_db, RUMBLE_FALLS_DB, MOST_COST_DB),
    ):
        slopes = ([HighPass(hz, order) for hz in CORNERS_HZ] for order in ORDERS)
        affordable = [[cut for cut in cuts if (cost_of(cut) or 0.0) <= most_cost_db] or cuts[:1] for cuts in slopes]
        enough = []
        for cuts in affordable:
            cut = _lowest(cuts, lambda cut: rumble_out(cut, fallen_db) and extra_after(cut) <= left_db - _MARGIN_DB)
            if cut is not None and (cost_of(cut) or 0.0) <= CHEAP_DB:
                return made(cut)
            enough += [] if cut is None else [cut]
        if enough:
            return made(min(enough, key=lambda cut: cost_of(cut) or 0.0))
    return made(min((cuts[-1] for cuts in affordable), key=lambda cut: (extra_after(cut), cost_of(cut) or 0.0)))


def _lowest(cuts: list[HighPass], works) -> HighPass | None:
    """The first of some cuts in rising order that works, found by halving: what a cut takes out, a higher one does."""
    if not works(cuts[-1]):
        return None
    below, at = -1, len(cuts) - 1
    while at - below > 1:
        middle = (below + at) // 2
        below, at = (below, middle) if works(cuts[middle]) else (middle, at)
    return cuts[at]


def _extra_at(clip: Clip, low: LowEnd, pops: list[Pop]):
    """A function of a cut (None for no cut): the most that a pop adds to the voice's own reduction behind it, in dB."""
    if not pops:
        return lambda cut: 0.0
    compressor, (_, voice) = reference_compressor(clip), split_low_end(clip, low.border_hz)

    def all_db(fed: Clip, places_s, of_voice_db) -> list[float]:
        pairs = zip(reduction_around(compressor, fed, places_s), of_voice_db)
        return [float(np.max(one - other, initial=0.0)) for one, other in pairs]

    places_s = [pop.time_s for pop in pops]
    of_voice_db = reduction_around(compressor, voice, places_s)
    first_db = all_db(clip, places_s, of_voice_db)
    # The others are below what may be left already.
    strong = [k for k, extra in enumerate(first_db) if extra > LEFT_DB - _MARGIN_DB]
    places_s, of_voice_db = [places_s[k] for k in strong], [of_voice_db[k] for k in strong]
    known = {None: max(first_db)}

    def extra_db(cut: HighPass | None) -> float:
        if cut not in known:
            known[cut] = max(all_db(cut.apply(clip), places_s, of_voice_db), default=0.0)
        return known[cut]

    return extra_db


def _rumble_at(clip: Clip, below_hz: float):
    """A function of a cut: by how many dB it changes what lies down there in the pauses, or anywhere without pauses."""
    factor = max(clip.rate // _LOW_RATE_HZ, 1)
    rate = clip.rate / factor
    mono = resample_poly(clip.columns.mean(axis=1), 1, factor)
    paused = ~active_mask(clip)
    length = int(_WINDOW_S * rate)
    spans = [(a // factor, b // factor) for a, b in zip(*stretches(paused)) if (b - a) // factor >= length]
    spans = spans or [(0, len(mono))]
    firsts = [first for a, b in spans for first in range(a, max(b - length, a) + 1, length // 2)]
    window = np.hanning(length)
    spectra = [np.abs(np.fft.rfft(window * _filled(mono[first : first + length], length))) ** 2 for first in firsts]
    freqs_hz = np.fft.rfftfreq(length, 1 / rate)
    band = (freqs_hz > 5) & (freqs_hz < below_hz)
    power = np.mean(spectra, axis=0)[band]

    def change_db(cut: HighPass) -> float:
        if not power.sum() > 0:
            return 0.0
        left = power * db_to_power(cut.response_db(freqs_hz[band], clip.rate))
        return power_to_db(float(left.sum() / power.sum()))

    return change_db


def _filled(piece: np.ndarray, length: int) -> np.ndarray:
    return np.pad(piece, (0, length - len(piece)))
