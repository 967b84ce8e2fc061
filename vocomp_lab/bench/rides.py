"""The bench for rides: a finished voice against its place, and the fader's line over it, with points to be moved by hand."""

from __future__ import annotations

from vocomp_lab.analysis.mix import RANGES, Presence
from vocomp_lab.analysis.rides import MOST_RIDE_DB, RIDE_MARGIN_LU, RideProposal, ride_for, voice_place
from vocomp_lab.bench.by_hand import HandBench, bar_html
from vocomp_lab.bench.ride_editor import RideEditor
from vocomp_lab.pictures.mix import TRUE_WORDS
from vocomp_lab.pictures.rides import RideMarks
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.rides import FaderRide
from vocomp_lab.sound.checks import Flag, check_choice
from vocomp_lab.sound.text import decibels


class RideBench(HandBench):
    """A finished voice, and the ride of its fader.

    Parameters
    ----------
    voice : Clip
        As it leaves the chain, without a ride.
    backing : Clip, optional
        The band, at the same rate and of the same length. With it the voice's place is its distance from the band; without it
        the voice is compared with itself.
    ride : FaderRide, sequence of RidePoint or Chain, optional
        What to start with; by default nothing. From a chain, its stage with the name `stage`, if it has one.
    recorded : Clip, optional
        The take before the chain, which tells best where somebody sings.
    sections : sequence of Section, optional
        In each of which the voice is compared with itself, so that a verse may be softer than its chorus; by default those that
        are found in the take (:func:`vocomp_lab.analysis.rides.voice_place`).
    measured : {"full range", "middle"}
        What of both tracks is measured (``vocomp_lab.analysis.mix.RANGES``).
    words : sequence of dict
        The words of a take's truth, written over the picture.
    proposing : bool
        False for an exercise, which proposes nothing and so doesn't say either that nothing is needed.
    stage : str
        The stage's name.
    match, view, moments
        As for a :class:`vocomp_lab.bench.Bench`.

    Raises
    ------
    ValueError
        If the clips don't fit each other, or the ride is none.

    Notes
    -----
    Put it last in a cell to show it. ``bench.ride`` is the ride as set now, ``bench.chain`` the stage for
    ``lesson.keep(bench)``. Every change can be undone. A change that is not allowed changes nothing, and the bench says
    why in one sentence.
    """

    _SCRIPT = "rides.js"
    _BAR = bar_html(
        "play only around the chosen point",
        "In the picture: click on the fader's line for a new point, or drag it from there; drag a point to move it. "
        "By keyboard, on a point: arrow keys move it (with Shift finely), Page Up and Page Down go to the next one, Delete removes it.",
    )

    def __init__(
        self,
        voice,
        backing=None,
        ride=None,
        *,
        recorded=None,
        sections=None,
        measured="full range",
        words=(),
        proposing=True,
        stage="rides",
        match=True,
        view=None,
        moments=True,
    ):
        band_hz = RANGES[check_choice("measured", measured, RANGES)]
        self.place = voice_place(voice, backing, recorded=recorded, sections=sections, band_hz=band_hz)
        proposing = Flag().check("proposing", proposing)
        self.proposal: RideProposal | None = ride_for(self.place) if proposing else None
        self._words = tuple(TRUE_WORDS.check("words", words))
        if isinstance(ride, Chain):
            ride = dict(ride.stages).get(stage)
        ride = ride if isinstance(ride, FaderRide) else FaderRide(() if ride is None else ride)
        super().__init__(voice, ride, stage=stage, match=match, view=view, moments=moments)

    def _make_editor(self) -> RideEditor:
        return RideEditor(self, self._player)

    # ---- what a notebook reads and sets -------------------------------------------------------------------------

    @property
    def ride(self) -> FaderRide:
        """The ride as set now."""
        return self.processor

    @property
    def gain_range_db(self) -> tuple[float, float]:
        """The fader at the top and at the bottom of the picture."""
        return self._screen.picture.gain_range_db

    def take_proposal(self) -> "RideBench":
        """Ride as proposed.

        Raises
        ------
        ValueError
            If nothing is proposed.
        """
        if self.proposal is None or not self.proposal.ride.points:
            raise ValueError("proposal: nothing is proposed for this voice, so there is nothing to take.")
        return self._set(self.proposal.ride)

    def set_points(self, points) -> "RideBench":
        """Set other points, all at once; a ValueError if two are too close, and nothing changes then."""
        return self._set(FaderRide(tuple(points)))

    def places(self) -> dict[str, Presence]:
        """How well the voice holds its place: a :class:`vocomp_lab.analysis.mix.Presence` each for before and after."""
        return {"before": self.place.presence(), "after": self.place.presence(self.result.output)}

    @property
    def first_processor(self) -> FaderRide:
        """What a demonstration starts from: the ride as set now."""
        return self.ride

    def put_back(self, stage: str, processor) -> "RideBench":
        """After a demonstration the ride stays as set now."""
        super().put_back(stage, self.ride)
        return self

    def check(self, *goals) -> None:
        """Print whether the ride does what it is for, with the measured numbers, and then any goals given."""
        if not self.left_out:
            before, after = (place.in_place_percent for place in self.places().values())
            verdict = f"{'met' if after >= before else 'not met yet'} (measured: {_change(before, after, 0)} %)"
            if self.place.unknown:
                verdict = f"nothing needed. {self.place.unknown}"
            print(f"no less of the sung time within {RIDE_MARGIN_LU:g} LU of its place: {verdict}")
            farthest_db = abs(self.ride.farthest_db)
            verdict = "met" if farthest_db <= MOST_RIDE_DB else "not met yet"
            print(f"the fader moves by {MOST_RIDE_DB:g} dB at most: {verdict} (measured: {decibels(farthest_db)} dB)")
        super().check(*goals)

    # ---- the picture --------------------------------------------------------------------------------------------

    def _show(self, stage, window, part=False):
        picture = self._screen.picture_of(stage)
        proposed = self.proposal.ride if self.proposal is not None else FaderRide()
        picture.place, picture.words = self.place, self._words
        picture.marks = RideMarks(proposed, self._editor.chosen_place())
        super()._show(stage, window, part)
        self._screen.line.value += self._place_html(picture)

    def _place_html(self, picture) -> str:
        before, after = picture.before, picture.after
        pairs = (
            (f"in its place (±{RIDE_MARGIN_LU:g} LU)", before.in_place_percent, after.in_place_percent, "%"),
            ("sinks", before.sinks_percent, after.sinks_percent, "%"),
            ("sticks out", before.sticks_out_percent, after.sticks_out_percent, "%"),
        )
        cells = [f"<span>{label} <b>{_change(old, new, 0)} {unit}</b></span>" for label, old, new, unit in pairs]
        cells += [
            f"<span>nine tenths of the time within <b>{_change(before.spread_lu, after.spread_lu)} LU</b></span>",
            f"<span>largest ride <b>{decibels(self.ride.farthest_db, sign=True)} dB</b></span>",
        ]
        apart = ", section by section" if len(self.place.sections) > 1 else ""
        heading = f"<span><i>voice against its place{apart}, of the sung time:</i></span>"
        return f'<div class="vocomp-numbers">{heading}{"".join(cells)}</div>'


def _change(before: float, after: float, digits: int = 1) -> str:
    return f"{decibels(before, digits)} → {decibels(after, digits)}"
