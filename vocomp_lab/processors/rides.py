"""The fader ridden by hand: points in time and decibels, with a straight line in decibels between them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from vocomp_lab.processors.clip_gain import MAX_TIME_S, TIMES_S
from vocomp_lab.processors.flow import Flow, Piece, Processor
from vocomp_lab.sound.checks import Range, Settings, asks, check_number, check_whole, shown
from vocomp_lab.sound.levels import db_to_amplitude

LOWEST_RIDE_DB = -24.0
HIGHEST_RIDE_DB = 12.0
LEAST_APART_S = 0.01
"""Two points are at least this far apart: a line that goes straight up would click."""
# Times that are shifted by the same amount lose a few last bits.
_ROUNDING_S = 1e-6


@dataclass(frozen=True)
class RidePoint(Settings):
    """Where the fader is at one moment.

    Parameters
    ----------
    at_s : float
        Seconds from the clip's start; 0 or more.
    gain_db : float
        −24 to 12 dB; 0 leaves the voice as it is.

    Raises
    ------
    ValueError
        In one sentence naming the field, the value and what is allowed.
    """

    at_s: float
    gain_db: float

    def __post_init__(self):
        self._keep(
            at_s=check_number("at_s", self.at_s, 0, MAX_TIME_S, "s"),
            gain_db=check_number("gain_db", self.gain_db, LOWEST_RIDE_DB, HIGHEST_RIDE_DB, "dB"),
        )


class FaderRideFlow(Flow):
    """Knows how far into the sound it is, and multiplies by the fader's gain at that moment."""

    frames = 0

    def push(self, block, last):
        times_s = (self.frames + np.arange(len(block))) / self.rate
        self.frames += len(block)
        yield Piece(block * db_to_amplitude(self.processor.gain_db_at(times_s))[:, None])


@dataclass(frozen=True)
class FaderRide(Processor):
    """The fader ridden by hand: points in time, and between them a straight line in decibels.

    Parameters
    ----------
    points : sequence of RidePoint
        In any order; they are kept sorted by time, and are at least 10 ms apart.

    Raises
    ------
    ValueError
        In one sentence naming the field, the value and what is allowed.

    Notes
    -----
    Before the first point the fader stands where that point is, and after the last one where the last is; without points
    it stands at 0 dB. A line that is straight in decibels is what a fader with an even scale gives when a hand moves it at
    one speed: common practice, no source. What lies beyond the clip's end is ignored. Samples may go over full scale.

    A ride comes last in a chain, after the compressors. :class:`~vocomp_lab.processors.clip_gain.ClipGain` comes first,
    before them; so the two are two stages, and neither undoes the other.

    The objects never change. Every edit gives a new one, so to undo, go back to the old one.

    Examples
    --------
    >>> from vocomp_lab.processors.rides import FaderRide, RidePoint
    >>> ride = FaderRide([RidePoint(1.0, 0.0), RidePoint(2.0, 2.0)]).with_point(RidePoint(4.0, 0.0))
    >>> ride.gain_db_at([0.0, 1.5, 3.0, 9.0]).tolist()
    [0.0, 1.0, 1.0, 0.0]
    >>> ride.without(1).points
    (RidePoint(at_s=1.0, gain_db=0.0), RidePoint(at_s=4.0, gain_db=0.0))
    """

    FLOW = FaderRideFlow
    NESTED: ClassVar[dict[str, type]] = {"points": RidePoint}

    points: tuple[RidePoint, ...] = ()

    def __post_init__(self):
        points = self.points
        if not isinstance(points, (list, tuple)) or not all(isinstance(point, RidePoint) for point in points):
            raise ValueError(f"points: {shown(points)} is not allowed; give a list of RidePoint(at_s, gain_db).")
        points = tuple(sorted(points, key=lambda point: point.at_s))
        for before, after in zip(points, points[1:]):
            if after.at_s - before.at_s < LEAST_APART_S - _ROUNDING_S:
                raise ValueError(
                    f"points: {before.at_s:g} s and {after.at_s:g} s are too close; "
                    f"two points must be {1000 * LEAST_APART_S:g} ms or more apart."
                )
        self._keep(points=points)

    @property
    def farthest_db(self) -> float:
        """The gain of the point that is farthest from 0 dB, with its sign; 0 without points."""
        return max((point.gain_db for point in self.points), key=abs, default=0.0)

    @asks(times_s=TIMES_S)
    def gain_db_at(self, times_s) -> np.ndarray:
        """Where the fader is at any times.

        Parameters
        ----------
        times_s : array_like of float, any shape
            Seconds from the clip's start.

        Returns
        -------
        ndarray of the same shape
            Gain in dB.
        """
        times_s = np.asarray(times_s, dtype=np.float64)
        if not self.points:
            return np.zeros(times_s.shape)
        at_s, gain_db = zip(*((point.at_s, point.gain_db) for point in self.points))
        return np.interp(times_s, at_s, gain_db)

    def with_point(self, point: RidePoint) -> "FaderRide":
        """With one more point; a ValueError if it is too close to another."""
        return replace(self, points=(*self.points, point))

    def without(self, index: int) -> "FaderRide":
        """Without point `index`, counted from 0 in order of time."""
        return self._with(index)

    def moved(self, index: int, at_s: float, gain_db: float) -> "FaderRide":
        """With point `index` elsewhere; a ValueError if it is then too close to another."""
        return self._with(index, RidePoint(at_s, gain_db))

    @asks(start_s=Range(0, MAX_TIME_S, "s"))
    def cut_from(self, start_s: float) -> "FaderRide":
        """The same for the clip without its first `start_s` seconds: all points that much earlier."""
        later = [replace(point, at_s=point.at_s - start_s) for point in self.points if point.at_s >= start_s]
        # Where a line was under way at the cut it goes on from there, unless it is as good as over.
        if len(later) < len(self.points) and not (later and later[0].at_s < LEAST_APART_S):
            later.insert(0, RidePoint(0.0, float(self.gain_db_at(start_s))))
        return replace(self, points=tuple(later))

    def _with(self, index: int, *instead: RidePoint) -> "FaderRide":
        if not self.points:
            raise ValueError(f"index: {shown(index)} is not allowed; there are no points.")
        old = self.points[check_whole("index", index, 0, len(self.points) - 1)]
        return replace(self, points=(*(point for point in self.points if point is not old), *instead))
