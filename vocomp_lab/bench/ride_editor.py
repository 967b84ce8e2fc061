"""The list of the points of a fader ride."""

from __future__ import annotations

import numpy as np

from vocomp_lab.bench.hand_editor import NEW, HandEditor
from vocomp_lab.bench.player import PagePlayer
from vocomp_lab.lessons.controls import Control
from vocomp_lab.pictures.rides import point_text
from vocomp_lab.processors.rides import HIGHEST_RIDE_DB, LEAST_APART_S, LOWEST_RIDE_DB, RidePoint

REACH_S = 1.0
"""How far before and after a point what belongs to it lies: a move and the words beside it. Played alone, it gets the same
lead and tail as a region (``by_hand.js``)."""


class RideEditor(HandEditor):
    """Shows the points of a bench's ride, and asks the bench to change them.

    Parameters
    ----------
    bench : RideBench
        Also has ``ride``, ``proposal``, ``take_proposal()``, and ``gain_range_db``: the fader at the top and at the bottom
        of the picture.
    player : PagePlayer

    Notes
    -----
    What is chosen is ("point", n) or ``NEW``, and its place a time in seconds.
    """

    field = "points"
    rows = 4
    new_text = "a new point …"

    def __init__(self, bench, player: PagePlayer):
        controls = {
            "at_s": Control("at_s", "Time", "s", 0, bench.clip.duration_s, digits=2),
            "gain_db": Control("gain_db", "Fader", "dB", LOWEST_RIDE_DB, HIGHEST_RIDE_DB),
        }
        note = ""
        if bench.proposal is not None:
            found = bench.proposal
            note = f"<b>{'Proposed (dotted)' if found.ride.points else 'Nothing is proposed'}.</b> {found.reason}"
        super().__init__(bench, player, controls, "Points of the ride", note)

    def _work(self) -> dict:
        edit = self._bench.edit
        return {
            "Take the proposal": ("Ride as proposed, instead of what is drawn", self._bench.take_proposal),
            "Add": ("Make a point from what is typed here", self._add),
            "Delete": ("Remove the chosen point", lambda: edit(lambda ride: ride.without(self.chosen[1]))),
        }

    def _entries(self) -> list[tuple[tuple[str, int], RidePoint, str]]:
        return [(("point", n), point, point_text(point)) for n, point in enumerate(self._bench.ride.points)]

    def _is_at(self, thing: RidePoint, place) -> bool:
        return thing.at_s == place

    def chosen_place(self) -> float | None:
        """Time of the chosen point in seconds; None for a new one."""
        point = self.thing_of(self.chosen)
        return None if point is None else point.at_s

    def _values(self) -> dict[str, float]:
        point = self.thing_of(self.chosen)
        if point is None:
            at_s = min(self._bench.window.start_s + 1.0, self._bench.clip.duration_s / 2)
            point = RidePoint(at_s, float(self._bench.ride.gain_db_at(at_s)))
        return {"at_s": point.at_s, "gain_db": point.gain_db}

    def _shut_buttons(self) -> dict[str, bool]:
        found = self._bench.proposal
        return {
            "Take the proposal": found is None or not found.ride.points or found.ride == self._bench.ride,
            "Add": self.chosen != NEW,
            "Delete": self.chosen == NEW,
        }

    def _state(self) -> dict:
        at_s, bench = self.chosen_place(), self._bench
        return {
            "points": [[point.at_s, point.gain_db] for point in bench.ride.points],
            "number": -1 if at_s is None else self.chosen[1],
            "chosen": None if at_s is None else [max(at_s - REACH_S, 0.0), at_s + REACH_S],
            "gain_range_db": bench.gain_range_db,
            "limits": {
                "gain_db": [LOWEST_RIDE_DB, HIGHEST_RIDE_DB],
                "at_s": [0.0, bench.clip.duration_s],
                "apart_s": LEAST_APART_S,
            },
        }

    # ---- what is typed and dragged ------------------------------------------------------------------------------

    def _changed(self, name: str, value: float) -> None:
        index, point = self.chosen[1], self.thing_of(self.chosen)
        at_s, gain_db = (value, point.gain_db) if name == "at_s" else (point.at_s, value)
        self._bench.edit(lambda ride: ride.moved(index, at_s, gain_db), at_s)

    def _add(self) -> None:
        point = RidePoint(self._read("at_s"), self._read("gain_db"))
        self._bench.edit(lambda ride: ride.with_point(point), point.at_s)

    def _obey(self, command: dict) -> None:
        """{"do": "add" | "move" | "choose" | "delete", …}; `was` is the time of the point that is meant."""
        what = command["do"]
        if what == "add":
            point = self._place(command)
            self._bench.edit(lambda ride: ride.with_point(point), point.at_s)
            return
        # The points on the page may be older than those that Python holds: a point that is gone is left alone.
        index = [point.at_s for point in self._bench.ride.points].index(float(command["was"]))
        if what == "choose":
            self.list.value = ("point", index)
        elif what == "delete":
            self._bench.edit(lambda ride: ride.without(index))
        elif what == "move":
            point = self._place(command)
            self._bench.edit(lambda ride: ride.moved(index, point.at_s, point.gain_db), point.at_s)

    def _place(self, command: dict) -> RidePoint:
        at_s = np.clip(float(command["at_s"]), 0.0, self._bench.clip.duration_s)
        gain_db = np.clip(float(command["gain_db"]), LOWEST_RIDE_DB, HIGHEST_RIDE_DB)
        return RidePoint(round(float(at_s), 3), round(float(gain_db), 1))
