"""Finding a boxy resonance: a ring of the room or microphone that stays while harmonics and formants move.

A long-term spectrum alone can't tell it from the voice: low vowels' first formants lie in the same place, and many voices
are strongest there. So several witnesses are heard (:mod:`vocomp_lab.analysis.ring_witnesses`): the noise in the pauses,
which is nearly smooth where nothing rings; the voiced sounds, with what a voice has there anyway taken off; and the
unvoiced ones. A bump in the noise alone is a noise of the room, and one in the voice alone is most often the voice. What
each bell explains is weighed against that, and only what is sure is reported. Voices as simple as a source and formants
are heard in another way, which is finer (:mod:`vocomp_lab.analysis.ring_model`). The project's own, no source.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from vocomp_lab.analysis.ring_model import explained_rings
from vocomp_lab.analysis.ring_witnesses import (
    BELLS_HZ,
    BELLS_Q,
    Heard,
    Witness,
    hear,
    pause_noise,
    smooth_witness,
    unvoiced_witness,
    voiced_witness,
)
from vocomp_lab.processors.filters import Peaking
from vocomp_lab.sound.audio import A_CLIP, Clip
from vocomp_lab.sound.checks import asks, check_number, check_whole

FOUND, NOTHING_RINGS, CANT_TELL = "found", "nothing rings", "can't tell"
SURE = 0.6
"""From here on a ring is reported."""

LEAST_RING_DB = 3.5
"""A weaker ring isn't worth a cut: it may be the voice's own."""

_LOW_HZ, _HIGH_HZ = 150.0, 1_200.0
# Less than this from an end of the range the other side of a bell can't be seen.
_FROM_THE_END = 0.05
_NOTHING_BELOW = 0.25
# How many bells a modelled voice is held against for candidates: each takes a while.
_MOST_MODELLED = 2
# Less than this is nothing to try a bell on, and more is no ring: one pitch alone can make a model see such things.
_LEAST_DB, _MOST_DB = 0.5, 20.0
# Before anything is heard: nothing rings, voice and noise both ring, the noise has a bump of its own, the voice rings and
# the noise came later. And how strong a ring is, or such a bump.
_PRIORS = {"nothing": 0.45, "both": 0.35, "noise": 0.15, "voice": 0.05}
# A bump that only a voice shows is most often the voice's own.
_ALONE = 0.05
_RING_DB, _RING_SD_DB, _BUMP_DB, _BUMP_SD_DB = 5.5, 2.5, 5.0, 3.0
# Once a ring is taken for sure, its gain is left more to the witnesses.
_GAIN_SD_DB = 5.0
# Most rings are about this narrow.
_Q_SHARES = np.exp(-0.5 * (np.log(BELLS_Q / 3.5) / 0.3) ** 2)
_Q_SHARES /= _Q_SHARES.sum()
# What a voiced witness finds of a bell where nothing rings, and how much that differs between voices (medians and spread
# over three speakers and a singer, each at three speeds, and widened, for four voices are few).
_VOICED_HZ = (160, 217, 254, 296, 346, 403, 471, 550, 641, 748)
_VOICED_DB = (-8.0, -5.0, -3.3, -0.8, 2.4, 3.7, 3.9, 2.2, 0.9, -0.3)
_VOICED_SD_HZ, _VOICED_SD_DB = (320, 400, 550, 700), (6.5, 4.5, 3.8, 2.6)
# Where fundamentals lie, what is left of a voice looks like a ring to these two.
_LOW_NOTES_HZ, _UNVOICED_SD_DB, _NOISE_SD_DB, _LEAST_VOICE_SD_DB = (200, 300), (4.5, 2.5), (2.0, 0.0), 1.8
# Claims about voices that the model explains: in clean takes of the synthetic singers it finds up to 3 dB.
_MODEL_CLAIMS_DB, _MODEL_SD_DB, _MODEL_LEAST_DB = 3.0, 0.7, 1.0
_SAME, _APART, _LOW, _SD_OF_LOW = 0.1, 0.25, 35, 2.2


@dataclass(frozen=True)
class Resonance:
    """A ring, as the bell (:class:`vocomp_lab.Peaking`) that would make it; the same bell with −gain removes it.

    Attributes
    ----------
    freq_hz : float
    gain_db : float
    q : float
        Only roughly right.
    sure : float
        How sure it is that something rings within a tenth of `freq_hz`, 0 to 1.
    """

    freq_hz: float
    gain_db: float
    q: float
    sure: float = 1.0

    @property
    def how_sure(self) -> str:
        """How sure it is, in words: such as "74 % sure"."""
        if 0.01 <= self.sure <= 0.99:
            return f"{100 * self.sure:.0f} % sure"
        return "under 1 % sure" if self.sure < 0.5 else "over 99 % sure"

    def cut(self, share: float = 1.0) -> Peaking:
        """The bell that takes a share (0 to 1) of the ring out, in round numbers.

        Raises
        ------
        ValueError
            If the share is out of its range.
        """
        share = check_number("share", share, 0, 1)
        return Peaking(round(self.freq_hz), -round(share * self.gain_db, 1), round(self.q, 1))


@dataclass(frozen=True)
class RingSearch:
    """What a search for rings came to; see :func:`suspect_rings`.

    Attributes
    ----------
    verdict : str
        "found", "nothing rings" or "can't tell".
    why : str
        One sentence.
    candidates : tuple of Resonance
        The surest first, whether it is sure enough or not.
    """

    verdict: str
    why: str
    candidates: tuple[Resonance, ...] = ()

    @property
    def found(self) -> tuple[Resonance, ...]:
        """Those that are sure."""
        return tuple(ring for ring in self.candidates if ring.sure >= SURE)

    def __str__(self):
        rows = [
            f"{ring.freq_hz:5.0f} Hz {ring.gain_db:+5.1f} dB  Q {ring.q:.1f}  {ring.how_sure}"
            for ring in self.candidates
        ]
        return "\n".join([f"{self.verdict}: {self.why}", *rows])


@asks(clip=A_CLIP)
def find_resonances(clip: Clip, low_hz: float = _LOW_HZ, high_hz: float = _HIGH_HZ, count: int = 1) -> list[Resonance]:
    """Find the rings of a sung or spoken take.

    Parameters
    ----------
    clip : Clip
        One voice, preferably ten seconds or more with several pitches and vowels, and pauses that were left alone.
    low_hz, high_hz : float
        Where to look, 100 to 1,500 Hz. Nothing is found below 168 Hz, where low cuts work.
    count : int
        How many to look for, 1 to 4; the strongest evidence comes first.

    Returns
    -------
    list of Resonance
        At most `count`, and only those that are sure; empty if nothing rings or nobody can tell. See
        :func:`suspect_rings` for the others.

    Raises
    ------
    ValueError
        If a setting is out of its range.

    Notes
    -----
    Measured on 36 takes of recorded people that nothing was tuned on (noise in the pauses at −68 dBFS): a ring of 6 dB at
    400 Hz was found within 10 % and 2 dB in 22 of 24 spoken and 10 of 12 sung ones, and in none of them without it was a bell
    of over 2 dB proposed. Of rings of 5 to 9 dB between 320 and 1,100 Hz, 13 of 16 were. Where the pauses are silent, hardly any
    ring of 6 dB is sure: the answer is then "can't tell" or nothing. Tests hold these.
    """
    low_hz, high_hz = _checked_range(low_hz, high_hz)
    count = check_whole("count", count, 1, 4)
    heard = hear(clip)
    modelled = explained_rings(heard, low_hz, high_hz, count)
    if modelled is not None:
        return list(_from_model(modelled, low_hz, high_hz).found)
    found: list[Resonance] = []
    while len(found) < count:
        # What was found is taken out before the next is looked for: two rings are no rivals.
        rings = _from_witnesses(heard, low_hz, high_hz, 1).found
        if not rings:
            break
        found.append(rings[0])
        if len(found) < count:
            clip = rings[0].cut().apply(clip)
            heard = hear(clip)
    return found


@asks(clip=A_CLIP)
def suspect_rings(clip: Clip, count: int = 3, low_hz: float = _LOW_HZ, high_hz: float = _HIGH_HZ) -> RingSearch:
    """What may ring in a take, how sure that is, and why.

    Parameters
    ----------
    clip : Clip
    count : int
        How many candidates at most, 1 to 4. A voice that the model explains gets two at most, and how sure they are is
        told by their gain.
    low_hz, high_hz : float
        As in :func:`find_resonances`, which reports only the sure ones.

    Returns
    -------
    RingSearch

    Raises
    ------
    ValueError
        If a setting is out of its range.

    Notes
    -----
    For every bell of a grid (160 to 1,400 Hz, Q from 2 to 6) each witness gives a gain and how far it may be off. Four
    explanations are weighed against each other by Bayes' rule: nothing rings; voice and noise have the same ring; the
    noise has a bump of its own; the voice rings and the noise was added later. How sure a candidate is, is the share of
    the second and fourth within a tenth of its frequency.
    """
    count = check_whole("count", count, 1, 4)
    low_hz, high_hz = _checked_range(low_hz, high_hz)
    heard = hear(clip)
    modelled = explained_rings(heard, low_hz, high_hz, min(count, _MOST_MODELLED))
    if modelled is not None:
        return _from_model(modelled, low_hz, high_hz)
    search = _from_witnesses(heard, low_hz, high_hz, count)
    if not search.found or len(search.candidates) == count:
        return search
    # With the sure one out of the way, the next best can be heard.
    rest = _from_witnesses(hear(search.found[0].cut().apply(clip)), low_hz, high_hz, count).candidates
    others = [ring for ring in rest if all(_are_apart(ring, other) for other in search.candidates)]
    return RingSearch(search.verdict, search.why, (*search.candidates, *others)[:count])


def _are_apart(one: Resonance, other: Resonance) -> bool:
    return abs(np.log(one.freq_hz / other.freq_hz)) >= _APART


def _checked_range(low_hz, high_hz):
    low_hz = check_number("low_hz", low_hz, 100, 1_500, "Hz")
    high_hz = check_number("high_hz", high_hz, 100, 1_500, "Hz")
    if high_hz <= low_hz:
        raise ValueError(f"high_hz: {high_hz:g} Hz is not allowed; give a frequency above low_hz, {low_hz:g} Hz.")
    return low_hz, high_hz


def _inside(freq_hz, low_hz, high_hz):
    ends = max(low_hz, BELLS_HZ[0]), min(high_hz, BELLS_HZ[-1])
    return ends[0] * (1 + _FROM_THE_END) < freq_hz < ends[1] * (1 - _FROM_THE_END)


def _from_model(bells, low_hz, high_hz) -> RingSearch:
    sure = [float(ndtr((bell.gain_db - _MODEL_CLAIMS_DB) / _MODEL_SD_DB)) for bell in bells]
    candidates = tuple(
        Resonance(bell.freq_hz, bell.gain_db, bell.q, sure)
        for bell, sure in zip(bells, sure)
        if _MODEL_LEAST_DB <= bell.gain_db <= _MOST_DB and _inside(bell.freq_hz, low_hz, high_hz)
    )
    if candidates and candidates[0].sure >= SURE:
        return RingSearch(FOUND, "The same bell shows in all vowels, at all pitches.", candidates)
    return RingSearch(NOTHING_RINGS, "Nothing here needs a ring to explain it.", candidates)


@functools.lru_cache(maxsize=1)  # whoever wants the sure ring asks next how sure it is
def _from_witnesses(heard: Heard, low_hz, high_hz, count) -> RingSearch:
    voice = [
        _with_doubt(voiced_witness(heard), _VOICED_HZ, _VOICED_DB, _VOICED_SD_HZ, _VOICED_SD_DB),
        _with_doubt(unvoiced_witness(heard), sd_hz=_LOW_NOTES_HZ, sd_db=_UNVOICED_SD_DB),
    ]
    told = [witness for witness in voice if witness is not None]
    if not told:
        return RingSearch(CANT_TELL, "Nobody sings or speaks here, or only on one pitch.")
    precision = sum(witness.sd_db**-2 for witness in told)
    gain_db = sum(witness.gain_db * witness.sd_db**-2 for witness in told) / precision
    spoken = Witness(gain_db, np.maximum(precision**-0.5, _LEAST_VOICE_SD_DB))
    spectrum = pause_noise(heard)
    noise = (
        None if spectrum is None else _with_doubt(smooth_witness(*spectrum), sd_hz=_LOW_NOTES_HZ, sd_db=_NOISE_SD_DB)
    )
    sure, gains_db = _weighed(spoken, noise)
    candidates = tuple(_candidates(sure, gains_db, low_hz, high_hz, count))
    first = candidates[0] if candidates else Resonance(0, 0, 1, 0.0)
    place = f"{first.freq_hz:.0f} Hz"
    if first.sure >= SURE:
        who = "The voice" if noise is None else "Voice and noise"
        verb = "stands" if noise is None else "stand"
        return RingSearch(FOUND, f"{who} {verb} out near {place}, whatever is sung.", candidates)
    if noise is not None and sure.sum() < _NOTHING_BELOW:
        why = "The noise in the pauses is smooth, or has bumps that the voice lacks."
        return RingSearch(NOTHING_RINGS, why, candidates)
    if noise is None:
        missing = ", and the voice keeps to one pitch" if voice[0] is None else ""
        return RingSearch(CANT_TELL, f"There is no noise in the pauses to compare the voice with{missing}.", candidates)
    near = f", not even near {place}" if candidates else ""
    return RingSearch(CANT_TELL, f"Voice and noise don't agree well enough{near}.", candidates)


def _with_doubt(witness, bias_hz=(1,), bias_db=(0,), sd_hz=(1,), sd_db=(0,)):
    """A witness without what it finds in any voice, and with how much voices differ.

    A witness that finds bumps all over the place is doubted by as much as those bumps are high.
    """
    if witness is None:
        return None
    at = np.log(BELLS_HZ)
    gain_db = witness.gain_db - np.interp(at, np.log(bias_hz), bias_db)[:, None]
    usual = np.interp(at, np.log(sd_hz), sd_db)[:, None]
    # Of the narrowest bells, which a ring itself disturbs least.
    here = _SD_OF_LOW * np.percentile(np.abs(gain_db[:, -1]), _LOW)
    return Witness(gain_db, np.maximum(np.hypot(witness.sd_db, usual), here))


def _weighed(voice: Witness, noise: Witness | None) -> tuple[np.ndarray, np.ndarray]:
    """How sure each bell of the grid is, and its gain in dB if it rings."""
    share = _Q_SHARES / len(BELLS_HZ)
    alone = _for_a_ring(voice)
    if noise is None:
        rings = alone + np.log(_ALONE * share)
        rivals = np.array([np.log(1 - _ALONE)])
        gains_db = _likely_db(voice)
    else:
        precision = voice.sd_db**-2 + noise.sd_db**-2
        both = Witness((voice.gain_db * voice.sd_db**-2 + noise.gain_db * noise.sd_db**-2) / precision, precision**-0.5)
        together = _for_a_ring(both) + np.log(_PRIORS["both"] * share)
        later = alone + np.log(_PRIORS["voice"] * share)
        bumps = _for_a_ring(noise, _BUMP_DB, _BUMP_SD_DB) + np.log(_PRIORS["noise"] * share)
        rings = np.logaddexp(together, later)
        rivals = np.append(bumps.ravel(), np.log(_PRIORS["nothing"]))
        part = np.exp(together - rings)
        gains_db = part * _likely_db(both) + (1 - part) * _likely_db(voice)
    every = np.append(rings.ravel(), rivals)
    total = every.max() + np.log(np.exp(every - every.max()).sum())
    return np.exp(rings - total), gains_db


def _for_a_ring(witness, ring_db=_RING_DB, ring_sd_db=_RING_SD_DB):
    """Log of how much more likely a witness's gains are with a ring than without."""
    wide = np.hypot(witness.sd_db, ring_sd_db)
    with_it = -0.5 * ((witness.gain_db - ring_db) / wide) ** 2 - np.log(wide)
    return with_it + 0.5 * (witness.gain_db / witness.sd_db) ** 2 + np.log(witness.sd_db)


def _likely_db(witness):
    trust = witness.sd_db**-2 / (witness.sd_db**-2 + _GAIN_SD_DB**-2)
    return trust * witness.gain_db + (1 - trust) * _RING_DB


def _candidates(sure, gains_db, low_hz, high_hz, count):
    sure, logs = sure.copy(), np.log(BELLS_HZ)
    near = np.abs(logs[:, None] - logs) < _SAME
    found = []
    while len(found) < count and sure.max() > 1e-4:
        part = near[(near @ sure.sum(axis=1)).argmax()]
        mass = sure[part]
        total = mass.sum()
        log_freq = mass.sum(axis=1) @ logs[part] / total
        ring = Resonance(
            float(np.exp(log_freq)),
            float((mass * gains_db[part]).sum() / total),
            float(np.exp(mass.sum(axis=0) @ np.log(BELLS_Q) / total)),
            float(min(total, 1.0)),
        )
        if _inside(ring.freq_hz, low_hz, high_hz) and _LEAST_DB <= ring.gain_db <= _MOST_DB:
            found.append(ring)
        sure[np.abs(logs - log_freq) < _APART] = 0.0
    return found
