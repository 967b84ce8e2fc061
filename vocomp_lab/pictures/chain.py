"""The picture of a whole chain: before and after over time, the reduction of all its stages together, and the spectrum."""

from __future__ import annotations

import numpy as np
from matplotlib.ticker import FixedLocator

from vocomp_lab.pictures.panels import Panel, ReductionPanel, WaveformPanel, Window
from vocomp_lab.pictures.pictures import Picture
from vocomp_lab.pictures.spectra import SpectrumPanel
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.text import decibels


class ChainPicture(Picture):
    """Waveform and total reduction over time, and the spectrum beside them.

    Its stage is a whole chain (a ``StageResult``) whose detail has ``names``, the stages with a reduction, and
    ``reduction_db``, theirs added up, or None if there is no such stage.
    """

    right, foot = 0.66, 0.115
    _crowded_head = 0.045

    def _make_panels(self, figure):
        above, below = self._over_time(figure, (1, 1), 0.05)
        self.waveform, self.reduction = WaveformPanel(above), ReductionPanel(below)
        self.spectrum = SpectrumPanel(self._beside(figure, 0.752, 0.988))
        self.spectrum.ax.xaxis.set_major_locator(FixedLocator([50, 200, 1000, 5000, 20_000]))  # it is narrow
        self.waveform.ax.tick_params(labelbottom=False)
        self.waveform.legend_above()
        self.reduction.ax.set_xlabel("time (s)")
        self.reduction.ax.set_ylabel("gain reduction,\nall stages (dB)")
        return [self.waveform, self.reduction, self.spectrum]

    def set_source(self, clip: Clip, window: Window) -> None:
        """Show what goes into the chain, or another stretch of it."""
        for panel in (self.waveform, self.reduction):
            panel.show_window(window)
        self.waveform.set_before(clip, window)
        self.spectrum.set_before(clip.cut(window.start_s, window.end_s))
        self.invalidate()

    def set_result(self, stage, window: Window, active: np.ndarray) -> None:
        """Show what the chain did."""
        self._names, reduction_db = stage.detail.names, stage.reduction_db
        if reduction_db is None:
            reduction_db = np.zeros(stage.output.frames)
        changed = [
            self.waveform.set_after(stage.output, window),
            self.reduction.set_reduction(reduction_db, stage.output.rate, window),
        ]
        self.spectrum.set_after(stage.output.cut(window.start_s, window.end_s))
        if any(changed):
            self.invalidate()

    def fit_anew(self) -> None:
        """Let the reduction have the scale that fits it."""
        self.reduction.fit_anew()

    def finding(self, change) -> str:
        """How often and how far the stages act together."""
        stats = change.reduction
        if stats is None:
            crest = change.after.crest_db - change.before.crest_db
            return f"Whole chain: crest factor {decibels(crest, sign=True)} dB; no stage in it reduces the gain"
        if stats.max_db < stats.floor_db:
            return "Whole chain: hardly any gain reduction"
        middle = f"typically {decibels(stats.median_db)} dB, " if stats.median_db >= 0.05 else ""
        share = f"{100 * stats.share:.0f} % of the sung time"
        return f"Whole chain: reduction in {share}, {middle}{decibels(stats.max_db)} dB at most"

    def description(self, change) -> str:
        """The finding, which stages are added up, the scale of the reduction, and points of the spectrum."""
        parts = [self.finding(change)]
        if self._names:
            parts += [f"gain reduction of {', '.join(self._names)} added up", self.reduction.in_words()]
        return "; ".join([*parts, self.spectrum.in_words()])
