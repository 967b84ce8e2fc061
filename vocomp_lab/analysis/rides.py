"""Where a finished voice sinks below its place or sticks out of it, at the pace of a hand, and a fader ride that helps.

All figures here are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import convolve1d

from vocomp_lab.analysis.loudness import Loudness, loudness
from vocomp_lab.analysis.meters import active_mask
from vocomp_lab.analysis.mix import Presence, limited_to, placed, presence, sung_levels, voice_over, whole_difference_lu
from vocomp_lab.analysis.sections import Section, edges_of, find_sections
from vocomp_lab.analysis.stretches import filled
from vocomp_lab.analysis.words import Span, find_phrases, voiced_words
from vocomp_lab.processors.rides import FaderRide, RidePoint
from vocomp_lab.sound.audio import A_CLIP, Clip
from vocomp_lab.sound.checks import OrNone, asks
from vocomp_lab.sound.levels import db_to_power, power_to_db
from vocomp_lab.sound.text import decibels

RIDE_MARGIN_LU = 1.5
"""A finished voice that stays this near to its place needs no hand."""
MOST_RIDE_DB, RIDE_STEP_DB = 3.0, 0.5
"""No ride that is proposed goes farther; what needs more is work for level prep or for a compressor."""
MOVE_S, SHORTEST_HELD_S = 0.3, 0.8
"""A move takes the first, and a group of words that gets a level of its own lasts at least the second. Pauses are longer than
a move (:func:`vocomp_lab.analysis.words.find_phrases`), so one always fits into a pause."""
SHORTEST_LIFTED_S = 2 * MOVE_S
"""A phrase that is shorter than this isn't lifted: the fader would still be going up when it has to come down."""
ENOUGH_PERCENT = 90.0
"""Share of the sung time within the margin from which nothing is proposed."""
# How far a group must be off to be ridden, and a phrase that is shorter than a group; how much of that is taken back; and
# how unlike two groups must be to be parted.
_RIDDEN_LU, _SHORT_RIDDEN_LU, _SHARE, _PARTED_LU = 1.25, 2.5, 0.8, 1.25
# By how much a proposal must help: points of the sung time in its place, or the spread.
_LEAST_GAIN_PERCENT, _LEAST_GAIN_LU = 3.0, 0.75
_SHRUNK = (1.0, 0.75, 0.5)
_STEPS_PER_S = 100
# Together with the 0.4 s of momentary loudness: what a second of singing has.
_READINGS = 61


@dataclass(frozen=True, eq=False)
class VoicePlace:
    """A voice against its place, from moment to moment. Made by :func:`voice_place`.

    Attributes
    ----------
    voice : Clip
    heard_in : Clip
        What tells where somebody sings: the take as recorded, if it is known.
    times_s : ndarray, shape (steps,)
        The middle of each second, every 10 ms.
    off_lu : ndarray, shape (steps,)
        How far the voice is above its place; NaN where less than half of the second is sung, or the backing pauses.
    sections : tuple of Section
        Where there are several, the voice is compared with itself in each.
    """

    voice: Clip = field(repr=False)
    heard_in: Clip = field(repr=False)
    times_s: np.ndarray = field(repr=False)
    off_lu: np.ndarray = field(repr=False)
    sections: tuple[Section, ...] = field(repr=False)
    _quick_lu: np.ndarray = field(repr=False)
    _place_lu: np.ndarray = field(repr=False)
    _active: np.ndarray = field(repr=False)
    _band: Loudness | None = field(repr=False)
    _band_hz: tuple[float, float] | None = field(repr=False)

    def of(self, output: Clip) -> np.ndarray:
        """How far what became of the voice is above the same place, shape (steps,)."""
        measured = loudness(limited_to(output, self._band_hz))
        return _at_a_hands_pace(_quick(measured, self._band, self._active, output.rate)[1]) - self._place_lu

    def presence(self, output: Clip | None = None) -> Presence:
        """How well the voice holds its place, or what became of it does: shares of the sung time, and the spread."""
        return self.presence_of(self.off_lu if output is None else self.of(output))

    @staticmethod
    def presence_of(off_lu: np.ndarray) -> Presence:
        """The same for what is known already."""
        return presence(off_lu, 0.0, RIDE_MARGIN_LU)

    @property
    def unknown(self) -> str:
        """Why nothing can be said about this voice, in one sentence; empty where something can."""
        if not np.isnan(self.off_lu).all():
            return ""
        if not self._active.any():
            return "Nobody sings in this clip."
        alone_lu = sung_levels(loudness(limited_to(self.voice, self._band_hz)), self._active, self.voice.rate, "words")[
            1
        ]
        if self._band is None or np.isnan(_at_a_hands_pace(alone_lu)).all():
            return "Too little is sung in this clip to ride it: a second or so is needed."
        return "The band doesn't play while the voice sings, so there is nothing to compare the voice with."

    def level_of(self, start_s: float, end_s: float) -> float:
        """How far a stretch as a whole is above its place, in LU; NaN where nothing in it counts."""
        first, last = np.searchsorted(self.times_s, (start_s, end_s))
        off = (self._quick_lu - self._place_lu)[first:last]
        off = off[~np.isnan(off)]
        return float(power_to_db(np.mean(db_to_power(off)))) if len(off) else math.nan


@asks(voice=A_CLIP, backing=OrNone(A_CLIP), recorded=OrNone(A_CLIP))
def voice_place(
    voice: Clip,
    backing: Clip | None = None,
    *,
    recorded: Clip | None = None,
    sections: Sequence[Section] | None = None,
    band_hz: tuple[float, float] | None = None,
) -> VoicePlace:
    """How far a voice is above or below its place, over a second of singing at a time.

    Parameters
    ----------
    voice : Clip
        As finished: what the fader gets.
    backing : Clip, optional
        The band, of the same rate and length. Only its ups and downs count, not how loud it is as a whole.
    recorded : Clip, optional
        The take before the chain. It tells better where somebody sings, since a chain brings up breaths and room.
    sections : sequence of Section, optional
        Where there are several, the voice is compared with itself only in each, so that a verse that is meant to be soft isn't
        lifted to its chorus. By default those that :func:`vocomp_lab.analysis.sections.find_sections` finds in the take as
        recorded; for others, or for one, :func:`vocomp_lab.analysis.sections.sections_at`.
    band_hz : (float, float), optional
        As for :func:`~vocomp_lab.analysis.mix.vocal_over_backing`.

    Returns
    -------
    VoicePlace

    Raises
    ------
    ValueError
        If the clips don't fit each other, or a section doesn't begin where the one before ends.

    Notes
    -----
    The level is the mean power of the momentary loudness (ITU-R BS.1770-5) of what is sung within half a second before and
    after: slower than a syllable and faster than a phrase, as a hand on a fader is.

    With a backing its place is the distance that the two have as a whole, as in the mix bench, and the backing's level at
    each moment is its short-term loudness. Without one its place is its own median. Where there are several sections, it is
    the median of each: of the voice's own level, or of its distance from the backing.
    """
    if not isinstance(voice, Clip):
        raise ValueError(f"voice: {type(voice).__name__} is not allowed; give a Clip, such as one from load().")
    if backing is not None:
        placed(voice, backing)
    heard_in = voice if recorded is None else recorded
    for what in ("rate", "frames"):
        if getattr(heard_in, what) != getattr(voice, what):
            raise ValueError(
                f"recorded: {getattr(heard_in, what)} as its {what} is not the voice's {getattr(voice, what)}; "
                "give the take that the voice was made from."
            )
    sections = find_sections(heard_in) if sections is None else sections
    edges_s, sections = edges_of(sections), tuple(sections)
    active = active_mask(heard_in) & _in_phrases(heard_in)
    measured = loudness(limited_to(voice, band_hz))
    band = None if backing is None else loudness(limited_to(backing, band_hz))
    times_s, quick_lu = _quick(measured, band, active, voice.rate)
    level_lu = _at_a_hands_pace(quick_lu)
    place_lu = np.full(len(times_s), math.nan)
    if band is not None and len(sections) == 1:
        place_lu[:] = whole_difference_lu(measured, band)
    else:
        stretch = np.searchsorted(edges_s, times_s, side="right")
        for number in np.unique(stretch):
            own = level_lu[stretch == number]
            own = own[~np.isnan(own)]
            place_lu[stretch == number] = np.median(own) if len(own) else math.nan
    return VoicePlace(
        voice, heard_in, times_s, level_lu - place_lu, sections, quick_lu, place_lu, active, band, band_hz
    )


def _in_phrases(clip: Clip) -> np.ndarray:
    """True from the start to the end of each phrase, shape (frames,): breaths lie outside."""
    edges = np.array([(phrase.start_s, phrase.end_s) for phrase in find_phrases(clip)]).reshape(-1, 2)
    first, last = np.rint(edges * clip.rate).astype(int).clip(0, clip.frames).T
    return filled(first, last, clip.frames)


def _quick(voice: Loudness, band: Loudness | None, active, rate: int) -> tuple[np.ndarray, np.ndarray]:
    """The voice's momentary loudness, over the band's short-term one where there is a band; NaN where it doesn't count."""
    return sung_levels(voice, active, rate, "words") if band is None else voice_over(voice, band, active, rate, "words")


def _at_a_hands_pace(quick_lu: np.ndarray) -> np.ndarray:
    """The mean power of the readings around each that counts; NaN where fewer than half of them do."""
    counts = ~np.isnan(quick_lu)
    power = np.where(counts, db_to_power(np.where(counts, quick_lu, 0.0)), 0.0)
    window = np.ones(_READINGS)
    summed, number = (convolve1d(values, window, mode="constant") for values in (power, counts.astype(float)))
    heard = counts & (number >= _READINGS / 2)
    return np.where(heard, power_to_db(np.where(heard, summed / np.maximum(number, 1.0), 1.0)), np.nan)


@dataclass(frozen=True)
class RideProposal:
    """A fader ride for a voice, and what it does. Made by :func:`propose_ride`.

    Attributes
    ----------
    ride : FaderRide
        Without points where nothing is needed, or nothing helps.
    before, after : Presence
        How well the voice holds its place without the ride and with it, measured on both.
    reason : str
    """

    ride: FaderRide
    before: Presence
    after: Presence
    reason: str


@asks(voice=A_CLIP, backing=OrNone(A_CLIP), recorded=OrNone(A_CLIP))
def propose_ride(
    voice: Clip,
    backing: Clip | None = None,
    *,
    recorded: Clip | None = None,
    sections: Sequence[Section] | None = None,
    band_hz: tuple[float, float] | None = None,
) -> RideProposal:
    """A fader ride that brings a finished voice nearer to its place; a person decides how much of it to take.

    Parameters
    ----------
    voice, backing, recorded, sections, band_hz
        As for :func:`voice_place`.

    Returns
    -------
    RideProposal

    Raises
    ------
    ValueError
        As :func:`voice_place`.

    Notes
    -----
    The rule. Nothing is needed if the voice is within 1.5 LU of its place for nine tenths of the sung time. Otherwise each
    phrase is parted where its words change their level by 1.25 LU or more, into groups of at least 0.8 s. A group that is
    off by over 1.25 LU (a phrase that is shorter than such a group: by over 2.5) is brought back by four fifths of that, in
    steps of 0.5 dB and by 3 dB at most. Every move takes 0.3 s. Inside a phrase it lies across the border of two groups. In
    a pause the fader is at 0 dB or below: it comes down as soon as the phrase is over, and goes up with the first word, so
    that no breath and no room is lifted. A phrase under 0.6 s has no time for both, so it isn't lifted. What comes out is
    measured. A ride that brings less of the sung time into place, or makes the spread wider, or helps neither by 3 hundredths of
    the time or 0.75 LU, is tried at three quarters and at half, and else isn't proposed. Common practice, no
    source.
    """
    place = voice_place(voice, backing, recorded=recorded, sections=sections, band_hz=band_hz)
    return ride_for(place)


def ride_for(place: VoicePlace) -> RideProposal:
    """:func:`propose_ride` for a voice whose place is known."""
    before = place.presence()
    if place.unknown:
        return RideProposal(FaderRide(), before, before, place.unknown)
    held = f"It is within {RIDE_MARGIN_LU:g} LU of its place in {before.in_place_percent:.0f} % of the sung time"
    if before.in_place_percent >= ENOUGH_PERCENT:
        return RideProposal(FaderRide(), before, before, f"{held}: it holds its place, so there is nothing to ride.")
    groups = _groups(place)
    for share in _SHRUNK:
        ride = _ride_of(groups, share)
        if not ride.points:
            break
        after = place.presence(ride.apply(place.voice))
        nearer, narrower = after.in_place_percent - before.in_place_percent, before.spread_lu - after.spread_lu
        if min(nearer, narrower) >= 0 and (nearer >= _LEAST_GAIN_PERCENT or narrower >= _LEAST_GAIN_LU):
            told = (
                f"{held}, with nine tenths of it {decibels(before.spread_lu)} LU apart; with the ride in "
                f"{after.in_place_percent:.0f} %, and {decibels(after.spread_lu)} LU apart. "
                f"The fader moves by {decibels(abs(ride.farthest_db))} dB at most."
            )
            return RideProposal(ride, before, after, told)
    return RideProposal(
        FaderRide(), before, before, f"{held}, and no ride of a phrase or a group of words brings more of it there."
    )


@dataclass(frozen=True)
class _Group:
    """Words that get one gain. `opens` is true for the first of a phrase."""

    start_s: float
    end_s: float
    off_lu: float
    opens: bool


def _groups(place: VoicePlace) -> list[_Group]:
    words = voiced_words(place.heard_in)
    groups = []
    for phrase in find_phrases(place.heard_in):
        own = [word for word in words if phrase.start_s <= (word.start_s + word.end_s) / 2 < phrase.end_s]
        borders = [phrase.start_s, *(word.start_s for word in own[1:]), phrase.end_s]
        cuts = [phrase.start_s, *_cuts(place, borders, phrase), phrase.end_s]
        for number, (start_s, end_s) in enumerate(zip(cuts, cuts[1:])):
            off_lu = place.level_of(start_s, end_s)
            groups.append(_Group(start_s, end_s, 0.0 if math.isnan(off_lu) else off_lu, number == 0))
    return groups


def _cuts(place: VoicePlace, borders: list[float], whole: Span) -> list[float]:
    """Where a phrase is parted: at the word where its two sides differ most, and then each side again."""

    def parted(first: int, last: int) -> list[float]:
        best, where = 0.0, None
        for middle in range(first + 1, last):
            sides = (borders[first], borders[middle]), (borders[middle], borders[last])
            lengths_s = [end_s - start_s for start_s, end_s in sides]
            if min(lengths_s) < SHORTEST_HELD_S:
                continue
            differ_lu = abs(np.subtract(*(place.level_of(*side) for side in sides)))
            # How much of the squared distance the two means explain: a short side must differ more.
            worth = differ_lu**2 * lengths_s[0] * lengths_s[1] / sum(lengths_s)
            if differ_lu >= _PARTED_LU and worth > best:
                best, where = worth, middle
        return [] if where is None else [*parted(first, where), borders[where], *parted(where, last)]

    return parted(0, len(borders) - 1)


def _gain_db(group: _Group, share: float) -> float:
    length_s = group.end_s - group.start_s
    if abs(group.off_lu) <= (_RIDDEN_LU if length_s >= SHORTEST_HELD_S else _SHORT_RIDDEN_LU):
        return 0.0
    gain_db = RIDE_STEP_DB * round(-share * _SHARE * group.off_lu / RIDE_STEP_DB)
    return float(np.clip(gain_db, -MOST_RIDE_DB, MOST_RIDE_DB if length_s >= SHORTEST_LIFTED_S else 0.0))


def _ride_of(groups: list[_Group], share: float) -> FaderRide:
    """The moves between the groups' gains."""
    gains_db = [_gain_db(group, share) for group in groups]
    moves: list[tuple[float, float, float, float]] = []

    def move(start_s: float, from_db: float, end_s: float, to_db: float) -> None:
        if from_db != to_db:
            moves.append((start_s, from_db, end_s, to_db))

    level_db = min(gains_db[0], 0.0) if groups else 0.0
    for number, (group, gain_db) in enumerate(zip(groups, gains_db)):
        if group.opens:
            resting_db = min(gain_db, 0.0)
            if number:
                end_s = groups[number - 1].end_s
                move(end_s, level_db, min(end_s + MOVE_S, group.start_s), resting_db)
            move(group.start_s, resting_db, group.start_s + MOVE_S, gain_db)
        else:
            move(group.start_s - MOVE_S / 2, level_db, group.start_s + MOVE_S / 2, gain_db)
        level_db = gain_db
    if groups:
        move(groups[-1].end_s, level_db, groups[-1].end_s + MOVE_S, min(level_db, 0.0))
    points: dict[float, float] = {}
    for start_s, from_db, end_s, to_db in moves:
        points.setdefault(round(start_s, 3), from_db)
        points[round(end_s, 3)] = to_db
    if not points and level_db:
        points[0.0] = level_db
    return FaderRide(tuple(RidePoint(max(at_s, 0.0), gain_db) for at_s, gain_db in points.items()))
