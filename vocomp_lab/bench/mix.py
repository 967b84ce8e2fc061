"""The mix bench: a vocal before and after, each in the mix at the same loudness, and a slider for the balance."""

from __future__ import annotations

import ipywidgets as widgets
import numpy as np
from IPython.display import display

from vocomp_lab.analysis.meters import active_mask
from vocomp_lab.analysis.loudness import integrated_lufs, loudness
from vocomp_lab.analysis.mix import (
    KINDS,
    RANGES,
    Presence,
    balance,
    limited_to,
    presence,
    voice_over,
    whole_difference_lu,
)
from vocomp_lab.bench.player import PagePlayer, image_html
from vocomp_lab.bench.style import STYLE, error_html
from vocomp_lab.lessons.band import HIGHEST_LU, LOWEST_LU, STEP_LU, band_behind
from vocomp_lab.pictures.mix import MIX_TIME_BOX, TRUE_WORDS, mix_finding, mix_picture, range_text
from vocomp_lab.sound.audio import A_CLIP, Clip
from vocomp_lab.sound.checks import asks, check_choice, check_number
from vocomp_lab.sound.levels import db_to_amplitude
from vocomp_lab.sound.text import decibels

BALANCE_WINDOW_LU, LEAST_IN_PLACE_PERCENT = (-4.0, 8.0), 95.0
"""The self-check's window for the balance, and how much of the sung time the finished vocal is to be in its place. Common
practice, no source: a vocal holds any place, even one where nobody can follow the words."""
_TRACKS = {"before": "before, in the mix", "after": "after, in the mix", "backing": "backing alone"}
_PEAK = db_to_amplitude(-1.0)


class MixBench:
    """The vocal in the mix: before and after, with the balance under one slider.

    The menu *Measured* chooses what of both tracks the picture and the numbers are about: the full range, or the
    middle (``vocomp_lab.analysis.mix.RANGES``). The slider and what is heard are always the full range.

    Parameters
    ----------
    before, after : Clip
        The vocal as it was recorded, and as it left the chain; both are equally loud in the mix.
    backing : Clip
        The band, at the same rate and of the same length.
    balance_lu : float, optional
        How much louder than the backing the vocal is at first, −12 to 12 LU. Left out, it is the balance that was set for
        this voice on any bench (0 for a voice without a band), and moving the slider sets it there as well.
    margin_lu : float
        How far off its balance the vocal may be before it counts as sinking or sticking out.
    words : sequence of dict
        The words of a take's truth, written into the picture.

    Attributes
    ----------
    balance_lu : float
        Where the slider is. Code can set it, too.
    measured : {"full range", "middle"}
        What the menu is set to. Code can set it, too.

    Raises
    ------
    ValueError
        If the clips don't fit each other, the backing is silent, or the balance is out of range.

    Notes
    -----
    Put it last in a cell to show it.
    """

    @asks(before=A_CLIP, after=A_CLIP, backing=A_CLIP, words=TRUE_WORDS)
    def __init__(
        self,
        before: Clip,
        after: Clip,
        backing: Clip,
        balance_lu: float | None = None,
        margin_lu: float = 3.0,
        words=(),
    ):
        found = band_behind(before)
        self._band = found[0] if found and balance_lu is None else None
        if balance_lu is None:
            balance_lu = self._band.balance_lu if self._band else 0.0
        balance_lu = check_number("balance_lu", balance_lu, LOWEST_LU, HIGHEST_LU, "LU")
        if isinstance(backing, Clip) and not np.isfinite(integrated_lufs(backing)):
            raise ValueError(
                "backing: nothing of it is heard under this voice; move it under the voice with 'Band begins at' in lesson 09, "
                "or give another one."
            )
        # Once, at 0 LU: another balance moves whole curves and vocals up or down.
        self._mixes = {name: balance(vocal, backing) for name, vocal in (("before", before), ("after", after))}
        active = active_mask(before)
        self._curves, self._wholes = {}, {}
        for measured, band_hz in RANGES.items():
            # Each loudness once: a move of the slider or the menu then measures nothing.
            under = loudness(limited_to(backing, band_hz))
            voices = {name: loudness(limited_to(mix.vocal, band_hz)) for name, mix in self._mixes.items()}
            self._wholes[measured] = {name: whole_difference_lu(voice, under) for name, voice in voices.items()}
            self._curves[measured] = {
                kind: {
                    name: self._off_balance(measured, name, *voice_over(voice, under, active, backing.rate, kind))
                    for name, voice in voices.items()
                }
                for kind in KINDS
            }
        self._margin_lu, self._words, self._backing = margin_lu, tuple(words), backing
        self._backing_peak = float(np.abs(backing.samples).max())
        self._player = PagePlayer(_TRACKS, "Player: the mix before and after")
        stops = [float(stop) for stop in np.arange(LOWEST_LU, HIGHEST_LU + STEP_LU / 2, STEP_LU)]
        self._player.tell_stops({"balance": stops})
        self._image = self._player.part(
            widgets.Image(format="png", layout=widgets.Layout(max_width="calc(100% - 4px)")), "picture"
        )
        self._slider = self._player.part(
            widgets.SelectionSlider(
                options=[(f"{decibels(stop, sign=True)} LU", stop) for stop in stops],
                value=min(stops, key=lambda stop: abs(stop - balance_lu)),
                description="Vocal over backing",
                continuous_update=False,
                style={"description_width": "130px"},
                layout=widgets.Layout(width="560px", max_width="100%"),
            ),
            "slider-balance",
        )
        self._slider.observe(lambda _: self._moved(), "value")
        if self._band:
            self._band.watch(self._follow_band)
        self._menu = widgets.Dropdown(
            options=[(range_text(measured), measured) for measured in RANGES],
            description="Measured",
            style={"description_width": "130px"},
            layout=widgets.Layout(width="340px", max_width="100%"),
        )
        self._menu.observe(lambda _: self._answer(), "value")
        self._line = widgets.HTML()
        picture = widgets.Box([self._image], layout=widgets.Layout(overflow="visible"))
        # Side by side where there is room: the picture below needs all the height of a laptop's page.
        controls = widgets.HBox([self._slider, self._menu], layout=widgets.Layout(flex_flow="row wrap"))
        self.widget = widgets.VBox(
            [widgets.HTML(STYLE), self._player.transport, controls, picture, self._line, *self._player.widgets]
        )
        self.widget.add_class("vocomp-bench")
        self._answer()

    @property
    def balance_lu(self) -> float:
        """How much louder than the backing the vocal is, as set now."""
        return self._slider.value

    @balance_lu.setter
    def balance_lu(self, value: float):
        value = check_number("balance_lu", value, LOWEST_LU, HIGHEST_LU, "LU")
        self._slider.value = LOWEST_LU + STEP_LU * round((value - LOWEST_LU) / STEP_LU)

    @property
    def measured(self) -> str:
        """What of both tracks the picture and the numbers are about."""
        return self._menu.value

    @measured.setter
    def measured(self, value: str):
        self._menu.value = check_choice("measured", value, RANGES)

    def places(self, kind: str = "phrases", measured: str = "full range") -> dict[str, Presence]:
        """How well the vocal keeps its place: a :class:`vocomp_lab.analysis.mix.Presence` each for before and after.

        Parameters
        ----------
        kind : {"phrases", "words"}
        measured : {"full range", "middle"}
            Within a range, its place is the balance that the two tracks as a whole have there.
        """
        curves = self._curves[check_choice("measured", measured, RANGES)][check_choice("kind", kind, KINDS)]
        return {name: presence(found, 0.0, self._margin_lu) for name, (_, found) in curves.items()}

    def check(self) -> None:
        """Print whether the vocal is heard over the band at all, and whether the finished one holds its place there."""
        low, high = BALANCE_WINDOW_LU
        place = self.places("phrases")["after"]
        rows = (
            (
                f"balance {decibels(low, 0)} to {decibels(high, 0)} LU",
                low <= self.balance_lu <= high,
                f"{decibels(self.balance_lu, sign=True)} LU",
            ),
            (
                f"phrases in their place (full range) in at least {LEAST_IN_PLACE_PERCENT:g} % of the sung time",
                place.in_place_percent >= LEAST_IN_PLACE_PERCENT,
                f"{place.in_place_percent:.0f} %",
            ),
        )
        for what, fine, measured in rows:
            print(f"{what}: {'met' if fine else 'not met yet'} (measured: {measured})")

    def _off_balance(self, measured, name, times_s, difference_lu):
        """A curve from the balance that the two tracks as a whole have: 0 is in its place."""
        return times_s, difference_lu - self._wholes[measured][name]

    def _moved(self):
        if self._band:
            self._band.balance_lu = self.balance_lu
        self._answer()

    def _follow_band(self):
        self.balance_lu = self._band.balance_lu

    def _answer(self):
        full = RANGES[self.measured] is None
        # Over the full range the scale is that of the slider; in the middle, the distance from the vocal's place there.
        offset = self.balance_lu if full else 0.0
        moved = {
            kind: {name: (times_s, off_lu + offset) for name, (times_s, off_lu) in curves.items()}
            for kind, curves in self._curves[self.measured].items()
        }
        self._png = mix_picture(
            moved, self.places(measured=self.measured), offset, self._backing.duration_s, self._words, self.measured
        )
        self._image.value = self._png
        rows = "".join(f"<span>{text}: <b>{place}</b></span>" for text, place in self._rows())
        self._line.value = f'<div class="vocomp-numbers">{rows}</div>'
        if self._band and self._band.trouble:
            self._line.value += error_html(self._band.trouble)
        self._send(self.balance_lu)

    def _rows(self) -> list[tuple[str, object]]:
        """Everything that is measured, each with what it is of."""
        rows = [
            (f"{kind}, {name}", place) for kind in KINDS for name, place in self.places(kind, self.measured).items()
        ]
        if RANGES[self.measured] is not None:
            wholes = (
                f"{name} {decibels(whole + self.balance_lu, sign=True)} LU"
                for name, whole in self._wholes[self.measured].items()
            )
            rows.append(("vocal over band there, as a whole", ", ".join(wholes)))
        return rows

    def _alt(self) -> str:
        """The picture's text alternative: its finding, and every number under it."""
        rows = "; ".join(f"{text}: {place}" for text, place in self._rows())
        balance = f"the vocal is set to {decibels(self.balance_lu, sign=True)} LU over the band"
        return f"{mix_finding(self.places(measured=self.measured), self.measured)}; {balance}. {rows}."

    def _send(self, offset_lu):
        gain = db_to_amplitude(offset_lu)
        mixes = (self._backing.samples + gain * mix.vocal.samples for mix in self._mixes.values())
        peak = max(self._backing_peak, *(float(np.abs(samples).max()) for samples in mixes))
        # The same gain for all three, so that none goes over full scale and the comparison stays fair.
        scale = min(1.0, _PEAK / peak)
        gains = {name: {name: scale * gain, "backing": scale} for name in self._mixes} | {"backing": {"backing": scale}}
        # The tracks are sent once. The page mixes them, and so answers the slider at once.
        self._player.send(
            {**{name: mix.vocal for name, mix in self._mixes.items()}, "backing": self._backing},
            rate=self._backing.rate,
            duration_s=self._backing.duration_s,
            mix={"balance_db": offset_lu, "gains": gains},
            at={"balance": self._slider.index},
            time_box=MIX_TIME_BOX,
            labels={"balance": "Vocal over backing (LU)"},
            alt=self._alt(),
        )

    def _ipython_display_(self):
        display(self.widget)
        self._player.show(image_html(self._png, self._alt()) + self._line.value)
