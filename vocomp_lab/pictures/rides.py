"""The picture of a fader ride: the fader's line over how far the voice is above its place, both in decibels."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from vocomp_lab.analysis.rides import RIDE_MARGIN_LU, VoicePlace, voice_place
from vocomp_lab.pictures.mix import write_words
from vocomp_lab.pictures.panels import Panel, Window
from vocomp_lab.pictures.pictures import Picture
from vocomp_lab.pictures.style import AMBER, BLUE, GREEN, GREY, INK
from vocomp_lab.processors.rides import FaderRide
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.text import decibels

_REACHES_DB = (6.0, 9.0, 12.0, 18.0, 25.0)


@dataclass(frozen=True)
class RideMarks:
    """What a picture shows besides the ride: the one that is proposed, and which point is chosen in the list."""

    proposed: FaderRide = field(default_factory=FaderRide)
    chosen_s: float | None = None


class RidesPanel(Panel):
    """How far the voice is above its place, before and after, and the fader's line: 1 dB of fader is 1 LU of voice."""

    def __init__(self, ax: Axes):
        super().__init__(ax)
        ax.axhspan(
            -RIDE_MARGIN_LU, RIDE_MARGIN_LU, color="#e9e9e9", zorder=0, label=f"its place (±{RIDE_MARGIN_LU:g} LU)"
        )
        ax.axhline(0, color=GREY, linewidth=1.0, linestyle=":", zorder=1)
        (self.before,) = ax.plot([], [], color=AMBER, linestyle="--", linewidth=1.6, label="voice before (dashed)")
        (self.after,) = ax.plot([], [], color=BLUE, linewidth=1.8, label="voice after")
        (self.proposed,) = ax.plot([], [], color=GREEN, linestyle=":", linewidth=2.2, label="proposed ride (dotted)")
        (self.fader,) = ax.plot([], [], color=INK, linewidth=2.2, label="fader, with its points")
        (self.points,) = ax.plot([], [], "o", color=INK, markerfacecolor="white", markersize=7, markeredgewidth=1.8)
        (self.chosen,) = ax.plot([], [], "o", color=INK, markersize=10)
        ax.set_ylabel("fader (dB); voice\nabove its place (LU)")
        ax.set_xlabel("time (s)", loc="left")
        ax.yaxis.set_major_locator(MaxNLocator(8, integer=True, steps=(1, 2, 3, 5, 10)))
        self.reach_db, self._anew = 0.0, True
        self.moving = [self.before, self.after, self.proposed, self.fader, self.points, self.chosen]

    def set_ride(self, ride: FaderRide, marks: RideMarks, window: Window) -> None:
        """Show the fader, what is proposed, and the chosen point."""
        ends_s = (window.start_s, window.end_s)
        for line, drawn in ((self.fader, ride), (self.proposed, marks.proposed)):
            times_s = np.unique([*ends_s, *(p.at_s for p in drawn.points if ends_s[0] < p.at_s < ends_s[1])])
            line.set_data(window.shift_s + times_s, drawn.gain_db_at(times_s))
        self.proposed.set_visible(bool(marks.proposed.points) and marks.proposed != ride)
        self.points.set_data([window.shift_s + p.at_s for p in ride.points], [p.gain_db for p in ride.points])
        chosen = [p for p in ride.points if p.at_s == marks.chosen_s]
        self.chosen.set_data([window.shift_s + p.at_s for p in chosen], [p.gain_db for p in chosen])

    def set_voice(self, times_s, before_lu, after_lu) -> None:
        """Show how far the voice is above its place."""
        self.before.set_data(times_s, before_lu)
        self.after.set_data(times_s, after_lu)

    def fit(self, highest_db: float) -> bool:
        """Make room for values up to this far from 0 dB; True if the axis changed. While something moves it only grows."""
        wanted_db = next((reach for reach in _REACHES_DB if reach >= highest_db), _REACHES_DB[-1])
        wanted_db = wanted_db if self._anew else max(wanted_db, self.reach_db)
        changed, self.reach_db, self._anew = wanted_db != self.reach_db, wanted_db, False
        if changed:
            self.ax.set_ylim(-wanted_db, wanted_db)
        return changed

    def fit_anew(self) -> None:
        """Let the next ride have the scale that fits it, even if that is a smaller one."""
        self._anew = True


class RidesPicture(Picture):
    """The fader's line, and the voice before and after it against its place.

    Attributes
    ----------
    place : VoicePlace or None
        Where the voice should be, if its bench knows. Without one the voice is compared with itself.
    marks : RideMarks
    words : sequence of dict
        The words of a take's truth, written over the picture.
    before, after : Presence
        How well the voice holds its place.
    """

    head, foot = 0.2, 0.13

    def _make_panels(self, figure):
        (ax,) = self._over_time(figure, (1,), 0.0)
        self.rides = RidesPanel(ax)
        self.place: VoicePlace | None = None
        self.marks = RideMarks()
        self.words: tuple[dict, ...] = ()
        self._written: list = []
        handles, labels = ax.get_legend_handles_labels()
        crowded = self._crowding > 1
        ax.legend(
            handles, [label.partition(" (")[0] if crowded else label for label in labels],
            loc="lower right", bbox_to_anchor=(self._from_right(self.right), 0.005), bbox_transform=figure.transFigure, ncols=5,
            frameon=False, borderpad=0, borderaxespad=0, handlelength=1.1 if crowded else 1.8, columnspacing=1.2,
        )  # fmt: skip
        return [self.rides]

    @property
    def gain_range_db(self) -> tuple[float, float]:
        """The fader at the top and at the bottom of the ``time_box``."""
        return self.rides.reach_db, -self.rides.reach_db

    def set_source(self, clip: Clip, window: Window) -> None:
        """Show another source or another stretch of it."""
        self.rides.show_window(window)
        known = self.place is not None and self.place.voice is clip
        self._measured = self.place if known else voice_place(clip)
        for text in self._written:
            text.remove()
        self._written = write_words(self.rides.ax, self.words)
        self.invalidate()

    def set_result(self, stage, window: Window, active: np.ndarray) -> None:
        """Show what the ride does, and the ``marks`` beside it."""
        self.ride, place = stage.processor, self._measured
        after_lu = place.off_lu if stage.output is place.voice else place.of(stage.output)
        self.before, self.after = (place.presence_of(off_lu) for off_lu in (place.off_lu, after_lu))
        self.rides.set_voice(window.shift_s + place.times_s, place.off_lu, after_lu)
        self.rides.set_ride(self.ride, self.marks, window)
        if self.rides.fit(_highest_db(place.off_lu, after_lu, self.ride, self.marks.proposed)):
            self.invalidate()

    def fit_anew(self) -> None:
        """Let the next ride have the scale that fits it."""
        self.rides.fit_anew()

    def finding(self, change) -> str:
        """How much of the sung time the voice is in its place, before and after."""
        if self._measured.unknown:
            return self._measured.unknown.rstrip(".")
        before, after = (f"{place.in_place_percent:.0f} %" for place in (self.before, self.after))
        share = before if not self.ride.points else f"{before} → {after}"
        return f"Within {RIDE_MARGIN_LU:g} LU of its place in {share} of the sung time"

    def description(self, change) -> str:
        """The finding, what sinks and sticks out, and every point of the ride and of the proposal."""
        parts = [self.finding(change)]
        if not self._measured.unknown:
            parts.append(f"before the ride: {self.before}")
            if self.ride.points:
                parts.append(f"after it: {self.after}")
        parts += [
            f"{kind}: {', '.join(f'{decibels(p.gain_db, sign=True)} dB at {p.at_s:.2f} s' for p in ride.points)}"
            for kind, ride in (("fader", self.ride), ("proposed", self.marks.proposed))
            if ride.points
        ]
        return "; ".join(parts)


def point_text(point) -> str:
    """A point of a ride in one line: "7.43 s, +1.5 dB"."""
    return f"{point.at_s:.2f} s, {decibels(point.gain_db, sign=True)} dB"


def _highest_db(before_lu, after_lu, *rides: FaderRide) -> float:
    """What the axis must hold: nearly all of either curve (99 %), and all points, with a little room."""
    found = np.concatenate([before_lu, after_lu])
    found = np.abs(found[~np.isnan(found)])
    highest = float(np.percentile(found, 99)) if len(found) else 0.0
    return 0.5 + max(highest, *(abs(ride.farthest_db) for ride in rides))
