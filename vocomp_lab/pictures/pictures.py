"""A bench's picture, a class for each kind of stage: still parts are drawn once, and the moving artists over them."""

from __future__ import annotations

import io
import zlib

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image

from vocomp_lab.pictures.meters import MetersPanel, Readings, ReadingsPanel
from vocomp_lab.pictures.panels import CurvePanel, LevelPanel, Panel, ReductionPanel, WaveformPanel, Window
from vocomp_lab.pictures.spectra import ResponsePanel, SaturationPanel, SpectrumPanel
from vocomp_lab.pictures.style import TITLE_PT, in_our_style
from vocomp_lab.processors.colour import Colour
from vocomp_lab.processors.compressor import Compressed
from vocomp_lab.processors.filters import Filter
from vocomp_lab.processors.gain import Gain
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.text import decibels

_HISTOGRAM_STRIDE = 16
_USUAL_WIDTH_PX, _USUAL_HEIGHT_PX = 1120, 372
"""The margins of the pictures were made for this width."""
_TEXT_PT = 9.5


class Picture:
    """A figure whose still parts are drawn once and whose moving artists are drawn over them.

    Parameters
    ----------
    width_px, height_px : int
    scale : float
        Makes everything larger, text included, for a projector.

    Attributes
    ----------
    time_box : (left, top, right, bottom)
        Where time runs in the picture, as shares of its width and height from the top left. The player draws its
        position there.
    """

    time_box: tuple[float, float, float, float]
    left, right = 0.078, 0.985
    """Where time runs across the usual sheet, as shares of its width."""
    head, foot = 0.115, 0.105
    """How much of the usual sheet's height lies above and below the panels."""
    _crowded_head = 0.0
    """How much lower the panels begin on a narrow sheet: there the title reaches over what is above them."""

    def __init__(self, width_px: int, height_px: int, scale: float = 1.0):
        self.dpi = 96 * scale
        # What is left and right of the time axis keeps its size, so on a smaller sheet it takes a larger share.
        self._crowding = max(1.0, _USUAL_WIDTH_PX / width_px)
        # The same for what is above and below the panels, and between them.
        self._flatness = max(1.0, _USUAL_HEIGHT_PX / height_px)
        self._head = self.head + (self._crowded_head if self._crowding > 1 else 0.0)
        with in_our_style(_TEXT_PT):
            self.figure = Figure(figsize=(width_px / 96, height_px / 96), dpi=self.dpi, facecolor="white")
            self.canvas = FigureCanvasAgg(self.figure)
            self.panels = self._make_panels(self.figure)
            self.title = self.figure.text(0.008, 0.985, "", va="top", fontsize=TITLE_PT, weight="bold")
        self._background = self._palette = None
        self._moving = [(panel.ax, artist) for panel in self.panels for artist in panel.moving]
        for _, artist in self._moving:
            artist.set_animated(True)
        self.title.set_animated(True)

    def _from_right(self, place: float) -> float:
        return 1 - (1 - place) * self._crowding

    def _rows(self, heights, gap: float) -> list[tuple[float, float]]:
        """Bottom and top of panels under one another, as shares of the sheet's height.

        Parameters
        ----------
        heights : sequence of float
            Of the panels, in any unit.
        gap : float
            Between two of them, as a share of the usual sheet's height.
        """
        place, gap = 1 - self._head * self._flatness, gap * self._flatness
        room = place - self.foot * self._flatness - gap * (len(heights) - 1)
        rows = []
        for height in heights:
            rows.append((place - room * height / sum(heights), place))
            place = rows[-1][0] - gap
        return rows

    def _over_time(self, figure, heights, gap: float, timed: int | None = None) -> list:
        """Axes under one another with time across. Of them, the first `timed` ones show the play position."""
        rows = self._rows(heights, gap)
        left, right = self.left * self._crowding, self._from_right(self.right)
        self.time_box = (left, 1 - rows[0][1], right, 1 - rows[(timed or len(rows)) - 1][0])
        return [self._axes(figure, left, right, *row) for row in rows]

    @staticmethod
    def _axes(figure, left: float, right: float, bottom: float, top: float):
        return figure.add_subplot(figure.add_gridspec(1, 1, left=left, right=right, bottom=bottom, top=top)[0])

    def _beside(self, figure, left: float, right: float):
        """Axes to the right of the others, as high as all of them; places are shares of the usual sheet's width."""
        bottom, top = self.foot * self._flatness, 1 - self._head * self._flatness
        return self._axes(figure, self._from_right(left), self._from_right(right), bottom, top)

    def _make_panels(self, figure) -> list[Panel]:
        raise NotImplementedError

    def set_source(self, clip: Clip, window: Window) -> None:
        """Show a source, or another stretch of it."""
        raise NotImplementedError

    def set_result(self, stage, window: Window, active: np.ndarray) -> None:
        """Show what a stage of a chain (a ``StageResult``) did; `active` is where in its source the singer sings."""
        raise NotImplementedError

    def fit_anew(self) -> None:
        """Let the scales of the next result be smaller than those before: something else is shown, or a bench is reset."""

    def finding(self, change) -> str:
        """What the numbers (a ``Change``) say in one sentence: the picture's title."""
        raise NotImplementedError

    def description(self, change) -> str:
        """The picture's text alternative: what it says beyond the numbers under it."""
        return self.finding(change)

    def invalidate(self) -> None:
        """Have the still parts drawn again: limits or ticks have changed."""
        self._background = self._palette = None

    def render(self) -> bytes:
        """The picture as PNG."""
        if self._background is None:
            self.canvas.draw()
            self._background = self.canvas.copy_from_bbox(self.figure.bbox)
        else:
            self.canvas.restore_region(self._background)
        for ax, artist in self._moving:
            ax.draw_artist(artist)
        self.figure.draw_artist(self.title)
        image = Image.fromarray(np.ascontiguousarray(np.asarray(self.canvas.buffer_rgba())[..., :3]))
        if self._palette is None:
            self._palette = image.quantize(256, method=Image.Quantize.FASTOCTREE)
            # The palette's near-white is the page's white.
            self._palette.putpalette([255 if value >= 250 else value for value in self._palette.getpalette()])
        # With a known palette, and run lengths for compression, encoding takes a tenth of PNG's usual time.
        buffer = io.BytesIO()
        image.quantize(palette=self._palette, dither=Image.Dither.NONE).save(
            buffer, "png", compress_level=1, compress_type=zlib.Z_RLE
        )
        return buffer.getvalue()


class DynamicsPicture(Picture):
    """Waveform, level with threshold, and reduction over time, and the static curve beside them."""

    right = 0.7
    _crowded_head = 0.045
    _unit = "dBFS"

    def _make_panels(self, figure):
        kinds = (WaveformPanel, LevelPanel, ReductionPanel)
        self.waveform, self.level, self.reduction = (
            kind(ax) for kind, ax in zip(kinds, self._over_time(figure, (1, 1, 1), 0.061))
        )
        self.curve = CurvePanel(self._beside(figure, 0.768, 0.988))
        for panel in (self.waveform, self.level):
            panel.ax.tick_params(labelbottom=False)
        for panel in (self.waveform, self.level):
            panel.legend_above()
        self.reduction.ax.set_xlabel("time (s)")
        return [self.waveform, self.level, self.reduction, self.curve]

    def set_source(self, clip: Clip, window: Window) -> None:
        """Show a source, or another stretch of it."""
        changed = [panel.show_window(window) for panel in (self.waveform, self.level, self.reduction)]
        if any([*changed, self.waveform.set_before(clip, window)]):
            self.invalidate()

    def set_result(self, stage, window: Window, active: np.ndarray) -> None:
        """Show what a dynamics stage did."""
        rate, detector_db = stage.output.rate, stage.detail.detector_db
        grown = self.waveform.set_after(stage.output, window)
        threshold_db = getattr(stage.processor, "threshold_db", None)
        self.level.set_level(detector_db, rate, window)
        self.level.set_threshold(threshold_db)
        changed = self.reduction.set_reduction(stage.reduction_db, rate, window)
        self.curve.set_levels(detector_db[active][::_HISTOGRAM_STRIDE])
        self.curve.set_curve(stage.processor.static_curve, threshold_db)
        self._processor = stage.processor
        unit = getattr(stage.processor, "level_unit", "dBFS")
        if grown or changed or unit != self._unit:
            self._unit = unit
            self.level.ax.set_ylabel(f"level\n({unit})")
            self.curve.ax.set(xlabel=f"level in ({unit})", ylabel=f"level out ({unit})")
            self.invalidate()

    def fit_anew(self) -> None:
        """Let the reduction have the scale that fits it."""
        self.reduction.fit_anew()

    def finding(self, change) -> str:
        """How often and how far the reduction acts."""
        stats = change.reduction
        if stats.max_db < stats.floor_db:
            return "Hardly any reduction: the voice never gets far enough over the threshold"
        middle = f"typically {decibels(stats.median_db)} dB (median), " if stats.median_db >= 0.05 else ""
        return (
            f"Reduction acts in {100 * stats.share:.0f} % of the sung time: {middle}{decibels(stats.max_db)} dB at most"
        )

    def description(self, change) -> str:
        """The finding, the threshold, the scale of the reduction, and points of the static curve."""
        threshold_db = getattr(self._processor, "threshold_db", None)
        parts = [self.finding(change)]
        if threshold_db is not None:
            parts.append(f"threshold {decibels(threshold_db)} {self._unit}")
        parts.append(self.reduction.in_words())
        levels_db = np.array([-48.0, -36.0, -24.0, -12.0, 0.0])
        points = zip(levels_db, self._processor.static_curve(levels_db))
        curve = ", ".join(f"{decibels(at)} → {decibels(out)}" for at, out in points)
        return "; ".join([*parts, f"static curve, level in → out in {self._unit}: {curve}"])


class FilterPicture(Picture):
    """Waveform over time, spectrum before and after, and the filter's response."""

    right_panel = ResponsePanel
    foot = 0.115

    def _make_panels(self, figure):
        heights, gap = (0.225, 0.415), 0.13
        bottom, top = self._rows(heights, gap)[1]
        above, spectra = self._over_time(figure, heights, gap, timed=1)
        spectra.remove()
        self.waveform = WaveformPanel(above)
        left, _, right, _ = self.time_box
        lower = figure.add_gridspec(1, 2, left=left, right=right, top=top, bottom=bottom, wspace=0.17)
        self.spectrum = SpectrumPanel(figure.add_subplot(lower[0]))
        self.response = self.right_panel(figure.add_subplot(lower[1]))
        self.waveform.ax.set_xlabel("time (s)")
        self.waveform.legend_above()
        return [self.waveform, self.spectrum, self.response]

    def set_source(self, clip: Clip, window: Window) -> None:
        """Show a source, or another stretch of it."""
        self.waveform.show_window(window)
        self.waveform.set_before(clip, window)
        self.spectrum.set_before(clip.cut(window.start_s, window.end_s))
        self.invalidate()

    def set_result(self, stage, window: Window, active: np.ndarray) -> None:
        """Show what the stage did."""
        if self.waveform.set_after(stage.output, window):
            self.invalidate()
        self.spectrum.set_after(stage.output.cut(window.start_s, window.end_s))
        self.response.set_processor(stage.processor, stage.output.rate)

    def finding(self, change) -> str:
        """How loudness and crest factor changed."""
        crest = change.after.crest_db - change.before.crest_db
        loud = change.after.loudness_lufs - change.before.loudness_lufs
        return f"Loudness changes by {decibels(loud, sign=True)} LU, crest factor by {decibels(crest, sign=True)} dB"

    def description(self, change) -> str:
        """The finding, and points of the curve at the lower right."""
        return f"{self.finding(change)}; {self.response.in_words()}"


class ColourPicture(FilterPicture):
    """Waveform over time, spectrum before and after, and the curve that adds the colour."""

    right_panel = SaturationPanel


class MetersPicture(Picture):
    """Waveform over time, the meters' readings over time, and what they say about the whole result."""

    right = 0.648

    def _make_panels(self, figure):
        above, below = self._over_time(figure, (1, 2.1), 0.077)
        self.waveform, self.meters = WaveformPanel(above), MetersPanel(below)
        self.numbers = ReadingsPanel(self._beside(figure, 0.782, 0.912))
        self.waveform.ax.tick_params(labelbottom=False)
        for panel in (self.waveform, self.meters):
            panel.legend_above(crowded=self._crowding > 1)
        self.meters.ax.set_xlabel("time (s)")
        return [self.waveform, self.meters, self.numbers]

    def set_source(self, clip: Clip, window: Window) -> None:
        """Show a source, or another stretch of it."""
        changed = [panel.show_window(window) for panel in (self.waveform, self.meters)]
        if any([*changed, self.waveform.set_before(clip, window)]):
            self.invalidate()

    def set_result(self, stage, window: Window, active: np.ndarray) -> None:
        """Show what the meters say about a stage's output."""
        self.readings = Readings.of(stage.output)
        self.meters.set_readings(stage.output, self.readings, window)
        self.numbers.set_readings(self.readings)
        changed = [self.waveform.set_after(stage.output, window)]
        changed += [panel.make_room(self.readings.top_db) for panel in (self.meters, self.numbers)]
        if any(changed):
            self.invalidate()

    def finding(self, change) -> str:
        """How far apart the meters are."""
        over = "Over full scale: peak" if self.readings.true_peak_dbtp > 0 else "Peak"
        return (
            f"{over} {decibels(change.after.peak_dbfs, sign=change.after.peak_dbfs > 0)} dBFS, "
            f"loudness {decibels(change.after.loudness_lufs)} LUFS; "
            f"the needle never shows more than {decibels(self.readings.needle_highest_dbfs)} dBFS"
        )

    def description(self, change) -> str:
        """The finding, and every number of the picture."""
        values = ((label, getattr(self.readings, name), unit) for label, name, unit, *_ in ReadingsPanel.rows)
        rows = (f"{label} {decibels(value, sign=value > 0)} {unit}" for label, value, unit in values)
        return f"{self.finding(change)}. After: {'; '.join(rows)}; crest factor {decibels(self.readings.crest_db)} dB"


PICTURES: dict[type, type[Picture]] = {
    Compressed: DynamicsPicture,
    Filter: FilterPicture,
    Gain: MetersPicture,
    Colour: ColourPicture,
}
"""The picture for a stage, by the type of the details that it reports, or else by the type of its processor."""


def picture_class(stage) -> type[Picture]:
    """The kind of picture for a stage of a chain (a ``StageResult``); ValueError if there is none."""
    for kind in (*type(stage.detail).__mro__, *type(stage.processor).__mro__):
        if kind in PICTURES:
            return PICTURES[kind]
    raise ValueError(
        f"processor: there is no picture for a {type(stage.processor).__name__}; list one in pictures.PICTURES."
    )
