"""Gain by hand: stretches of a take with a gain each, joined by short crossfades."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from vocomp_lab.processors.flow import Flow, Piece, Processor
from vocomp_lab.sound.checks import MOST_SECONDS, Numbers, Range, Settings, asks, check_number, check_whole, shown
from vocomp_lab.sound.levels import amplitude_to_db, db_to_amplitude

MIN_GAIN_DB = -48.0
MAX_GAIN_DB = 24.0
MAX_TIME_S = 86_400.0
TIMES_S = Numbers(-MOST_SECONDS, MOST_SECONDS, "s")


@dataclass(frozen=True)
class GainRegion(Settings):
    """A stretch of a take that is turned up or down.

    Parameters
    ----------
    start_s, end_s : float
        Seconds from the clip's start; 0 or more, and the end after the start.
    gain_db : float
        −48 to 24 dB; below 0 is softer.

    Raises
    ------
    ValueError
        In one sentence naming the field, the value and what is allowed.
    """

    start_s: float
    end_s: float
    gain_db: float

    def __post_init__(self):
        start_s = check_number("start_s", self.start_s, 0, MAX_TIME_S, "s")
        self._keep(
            start_s=start_s,
            end_s=check_number("end_s", self.end_s, start_s, MAX_TIME_S, "s", low_open=True),
            gain_db=check_number("gain_db", self.gain_db, MIN_GAIN_DB, MAX_GAIN_DB, "dB"),
        )


class ClipGainFlow(Flow):
    """Knows how far into the sound it is, and multiplies by the gain of that moment."""

    frames = 0

    def push(self, block, last):
        times_s = (self.frames + np.arange(len(block))) / self.rate
        self.frames += len(block)
        yield Piece(block * self.processor._amplitude_at(times_s)[:, None])


@dataclass(frozen=True)
class ClipGain(Processor):
    """Gain by hand: stretches of a take, each with a gain of its own, joined by crossfades.

    Parameters
    ----------
    regions : sequence of GainRegion
        In any order; they are kept sorted by time. They may touch, and the gain then goes straight from one to the
        other, but they must not overlap.
    crossfade_ms : float
        1 to 1,000 ms. Length of the fade from one gain to the next, centred on each edge.

    Raises
    ------
    ValueError
        In one sentence naming the field, the value and what is allowed.

    Notes
    -----
    The fades are *equal gain*: the amplitude goes in a straight line. Both sides of an edge are the same sound at two
    gains, so they add up in amplitude; an equal-power fade, meant for two unrelated sounds, would swell by up to 3 dB
    in the middle. Common practice, no source. A line that is straight in dB would do as well: over 6 dB the two are at
    most about 0.5 dB apart. Where two edges lie closer together than a fade is long, the fades shrink until they just
    meet in the middle. A region that starts with the clip has no fade at its start. What lies beyond
    the clip's end is ignored. Outside all regions and fades the samples stay as they are, bit for bit. Samples may go
    over full scale.

    The objects never change. Every edit gives a new one, so to undo, go back to the old one.

    Examples
    --------
    >>> from vocomp_lab.processors.clip_gain import ClipGain, GainRegion
    >>> prep = ClipGain([GainRegion(1.0, 1.5, -6)]).with_region(GainRegion(2.0, 4.0, 5))
    >>> prep.gain_db_at([0.5, 1.2, 3.0]).round(6).tolist()
    [0.0, -6.0, 5.0]
    >>> prep.without(0).regions
    (GainRegion(start_s=2.0, end_s=4.0, gain_db=5.0),)
    """

    FLOW = ClipGainFlow
    NESTED: ClassVar[dict[str, type]] = {"regions": GainRegion}

    regions: tuple[GainRegion, ...] = ()
    crossfade_ms: float = 10.0

    def __post_init__(self):
        regions = self.regions
        if not isinstance(regions, (list, tuple)) or not all(isinstance(region, GainRegion) for region in regions):
            raise ValueError(
                f"regions: {shown(regions)} is not allowed; give a list of GainRegion(start_s, end_s, gain_db)."
            )
        regions = tuple(sorted(regions, key=lambda region: region.start_s))
        for before, after in zip(regions, regions[1:]):
            if after.start_s < before.end_s:
                raise ValueError(
                    f"regions: {before.start_s:g} to {before.end_s:g} s and "
                    f"{after.start_s:g} to {after.end_s:g} s overlap; regions may touch, but not overlap."
                )
        self._keep(regions=regions, crossfade_ms=check_number("crossfade_ms", self.crossfade_ms, 1, 1000, "ms"))

    @asks(times_s=TIMES_S)
    def gain_db_at(self, times_s) -> np.ndarray:
        """The gain at any times, fades included.

        Parameters
        ----------
        times_s : array_like of float, any shape
            Seconds from the clip's start.

        Returns
        -------
        ndarray of the same shape
            Gain in dB; 0 outside all regions.
        """
        return np.asarray(amplitude_to_db(self._amplitude_at(np.asarray(times_s, dtype=np.float64))))

    def with_region(self, region: GainRegion) -> "ClipGain":
        """With one more region; a ValueError if it overlaps another."""
        return replace(self, regions=(*self.regions, region))

    def without(self, index: int) -> "ClipGain":
        """Without region `index`, counted from 0 in order of time."""
        return self._with(index)

    def moved(self, index: int, start_s: float, end_s: float) -> "ClipGain":
        """With region `index` at another time; a ValueError if it then overlaps another."""
        return self._with(index, replace(self._region(index), start_s=start_s, end_s=end_s))

    def changed(self, index: int, gain_db: float) -> "ClipGain":
        """With another gain for region `index`."""
        return self._with(index, replace(self._region(index), gain_db=gain_db))

    def split(self, index: int, at_s: float) -> "ClipGain":
        """With region `index` cut in two at a time inside it. Both parts keep its gain, and the sound is the same."""
        region = self._region(index)
        at_s = check_number("at_s", at_s, region.start_s, region.end_s, "s", low_open=True)
        if at_s == region.end_s:
            raise ValueError(f"at_s: {at_s:g} s is the end of region {index}; give a time inside it.")
        return self._with(index, replace(region, end_s=at_s), replace(region, start_s=at_s))

    @asks(start_s=Range(0, MAX_TIME_S, "s"))
    def cut_from(self, start_s: float) -> "ClipGain":
        """The same for the clip without its first `start_s` seconds: all regions that much earlier."""
        left = [region for region in self.regions if region.end_s > start_s]
        moved = [replace(r, start_s=max(r.start_s - start_s, 0.0), end_s=r.end_s - start_s) for r in left]
        return replace(self, regions=tuple(moved))

    def _region(self, index: int) -> GainRegion:
        if not self.regions:
            raise ValueError(f"index: {shown(index)} is not allowed; there are no regions.")
        return self.regions[check_whole("index", index, 0, len(self.regions) - 1)]

    def _with(self, index: int, *instead: GainRegion) -> "ClipGain":
        old = self._region(index)
        return replace(self, regions=(*(region for region in self.regions if region is not old), *instead))

    def _amplitude_at(self, times_s: np.ndarray) -> np.ndarray:
        """Gain as a factor: a line through the starts and ends of all fades."""
        # Every edge as (time, gain before, gain after); the gain between two regions that don't touch is 1.
        borders, level, last_end = [], 1.0, 0.0
        for region in self.regions:
            gain = db_to_amplitude(region.gain_db)
            if region.start_s > last_end and level != 1.0:
                borders.append((last_end, level, 1.0))
                level = 1.0
            if region.start_s > 0.0:
                borders.append((region.start_s, level, gain))
            level, last_end = gain, region.end_s
        if self.regions:
            borders.append((last_end, level, 1.0))
        if not borders:
            return np.ones(times_s.shape)
        at, before, after = np.array(borders).T
        # A region that starts with the clip has no edge there, but its middle keeps its gain like any other's.
        first = at[0] if self.regions[0].start_s > 0.0 else at[0] / 2.0
        room = np.concatenate([[first], np.diff(at) / 2.0, [np.inf]])
        half = np.minimum(self.crossfade_ms / 2000.0, np.minimum(room[:-1], room[1:]))
        return np.interp(times_s, np.ravel([at - half, at + half], "F"), np.ravel([before, after], "F"))
