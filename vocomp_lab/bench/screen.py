"""What a bench shows of a stage: its picture, and the line of numbers under it."""

from __future__ import annotations

import ipywidgets as widgets
import numpy as np

from vocomp_lab.analysis.measures import Change
from vocomp_lab.analysis.together import Together
from vocomp_lab.bench.numbers import numbers_html, numbers_text
from vocomp_lab.bench.player import PagePlayer, image_html
from vocomp_lab.pictures.chain import ChainPicture
from vocomp_lab.pictures.panels import Window
from vocomp_lab.pictures.pictures import PICTURES, Picture, picture_class
from vocomp_lab.pictures.regions import RegionsPicture
from vocomp_lab.pictures.rides import RidesPicture
from vocomp_lab.processors.chain import StageResult
from vocomp_lab.processors.clip_gain import ClipGain
from vocomp_lab.processors.rides import FaderRide

PICTURE_PX = (1120, 372)
PRESENTED_PX, PRESENTED_SCALE = (860, 262), 1.3
"""On a projector: fewer pixels, each drawn larger, so that the text can be read from the last row."""

LEFT_OUT = "Left out: the voice goes on as it comes in"

PICTURES[ClipGain] = RegionsPicture
PICTURES[FaderRide] = RidesPicture
PICTURES[Together] = ChainPicture


class Screen:
    """A picture for each kind of stage, drawn once and then updated; and the numbers.

    Parameters
    ----------
    player : PagePlayer
        Draws the play position over the picture.
    picture, numbers : bool
        Which of the two are shown.

    Attributes
    ----------
    image, line : ipywidgets.Widget
        Picture and numbers.
    pictures : list of ipywidgets.Widget
        What to put into the page for the picture: nothing if there is none.
    picture : Picture
        The one that is shown.
    png : bytes
    alt : str
        The picture's text alternative.
    """

    def __init__(self, player: PagePlayer, picture: bool = True, numbers: bool = True):
        self._with_picture, self._with_numbers = picture, numbers
        self._pictures: dict[type[Picture], Picture] = {}
        self._source: tuple | None = None
        self._fitted_for: tuple | None = None
        self.presented = False
        self.picture: Picture | None = None
        self.png, self.alt = b"", ""
        self.image = widgets.Image(format="png", layout=widgets.Layout(max_width="calc(100% - 4px)"))
        self.line = widgets.HTML()
        self.pictures = []
        if picture:
            player.part(self.image, "picture")
            # A box that could scroll is a stop for the tab key.
            self.pictures = [widgets.Box([self.image], layout=widgets.Layout(overflow="visible"))]

    def present(self, on: bool) -> None:
        """Draw for a projector, or no longer."""
        self.presented = on
        self._pictures.clear()
        self.fit_anew()

    def fit_anew(self) -> None:
        """Let the scales of the next picture be smaller again. While a control moves they only grow."""
        self._fitted_for = None

    def picture_of(self, stage: StageResult) -> Picture:
        """The picture for this kind of stage."""
        kind = picture_class(stage)
        if kind not in self._pictures:
            size = (*PRESENTED_PX, PRESENTED_SCALE) if self.presented else PICTURE_PX
            self._pictures[kind] = kind(*size)
            self._source = None
        return self._pictures[kind]

    def show(
        self,
        stage: StageResult,
        change: Change,
        active: np.ndarray,
        window: Window,
        *,
        goals=(),
        name="",
        part=False,
        left_out=False,
        note="",
    ) -> None:
        """Show what a stage did.

        Parameters
        ----------
        stage : StageResult
        change : Change
            Its numbers.
        active : ndarray of bool, shape (frames,)
            Where the singer sings in its source.
        window : Window
        goals : sequence of Goal
        name : str
            The stage's name, if the numbers should say it.
        part : bool
            Whether this is only the stretch in sight of a long clip.
        left_out : bool
            Whether the stage is left out, so that it gives what it gets.
        note : str
            Stands behind the numbers.
        """
        self.picture = picture = self.picture_of(stage)
        source = (type(picture), stage.source, window)
        if source != self._source:
            picture.set_source(stage.source, window)
            self._source = source
        fitted_for = (type(picture), stage.name, window.shift_s + window.start_s, window.shift_s + window.end_s)
        if fitted_for != self._fitted_for:
            picture.fit_anew()
            self._fitted_for = fitted_for
        picture.set_result(stage, window, active)
        finding = LEFT_OUT if left_out else picture.finding(change)
        picture.title.set_text(finding + (" (in the stretch in sight)" if part else ""))
        if self._with_picture:
            self.image.value = self.png = picture.render()
            told = LEFT_OUT if left_out else picture.description(change)
            self.alt = f"{told}. {numbers_text(change)}"
        if self._with_numbers:
            heading = [name] if name else []
            self.line.value = numbers_html(
                change, goals, ", ".join([*heading, *(["in the stretch in sight"] if part else [])]), note
            )

    def still(self) -> str:
        """Picture and numbers as HTML, for a page without a kernel."""
        return (image_html(self.png, self.alt) if self._with_picture else "") + self.line.value
