"""The settings sheet as one printable page: each stage in the trade's units, ready to dial into any compressor."""

from __future__ import annotations

import dataclasses
import html
import math
from pathlib import Path

from vocomp_lab.analysis.measures import clip_numbers
from vocomp_lab.analysis.meters import active_mask, active_rms_dbfs, reduction_needle, reduction_stats
from vocomp_lab.analysis.times import stated_times
from vocomp_lab.lessons.controls import CONTROLS, FIRST_SHOWN, Choice
from vocomp_lab.lessons.export import write_text
from vocomp_lab.lessons.tables import Html, table_html
from vocomp_lab.processors.chain import ChainResult, StageResult
from vocomp_lab.processors.clip_gain import ClipGain
from vocomp_lab.processors.deesser import DeEsser
from vocomp_lab.processors.rides import FaderRide
from vocomp_lab.sound.checks import Of, asks
from vocomp_lab.sound.levels import rms_dbfs, sample_peak_dbfs
from vocomp_lab.sound.text import clock, decibels

MOST_MOVES = 60
"""No more regions and points of a ride together than this fit on the page; the JSON sheet holds all of them."""
KINDS = {
    "Gain": "gain",
    "ClipGain": "gain by hand",
    "FaderRide": "the fader ridden by hand",
    "HighPass": "low cut (high-pass, Butterworth)",
    "Peaking": "bell",
    "LowShelf": "low shelf",
    "HighShelf": "high shelf",
    "Compressor": "compressor",
    "DeEsser": "de-esser",
    "Colour": "harmonics (a curve that bends the wave)",
    "VcaCompressor": "compressor, VCA type",
    "FetCompressor": "compressor, FET type",
    "OptoCompressor": "compressor, opto type",
    "TubeCompressor": "compressor, variable-gain tube type",
}
"""What each kind of processor is called on the page."""

# The doubled class outweighs a notebook's own rules for tables and headings.
_STYLE = """@page{size:A4;margin:9mm}
.sheet.sheet,.sheet.sheet *{box-sizing:border-box;font-size:9.5pt;line-height:1.32;font-family:sans-serif;color:#000}
.sheet.sheet{background:#fff;margin:0 auto;max-width:192mm;padding:1mm}
.sheet.sheet h1{font-size:15pt;font-weight:bold;margin:0 0 1mm}
.sheet.sheet p{margin:0 0 2mm}
.sheet.sheet table{border-collapse:collapse;width:100%;margin:0 0 2.5mm;table-layout:auto}
.sheet.sheet th,.sheet.sheet td{border:1px solid #666;padding:.5mm 1.5mm;text-align:left;vertical-align:top;
 white-space:normal;max-width:none;background:#fff}
.sheet.sheet thead th{background:#e8e8e8;-webkit-print-color-adjust:exact;print-color-adjust:exact}
.sheet.sheet tbody th{width:25mm;font-weight:bold}
.sheet.sheet td:nth-child(3){width:68mm}
.sheet.sheet small{font-size:8.5pt;font-weight:normal;display:block}
.sheet.sheet ul{columns:4;column-gap:4mm;margin:0;padding:0;list-style:none;white-space:nowrap;
 font-variant-numeric:tabular-nums}
.sheet.sheet ul.many{columns:6}
.sheet.sheet ul *{font-size:8.5pt}
.sheet.sheet ul.many *{font-size:7pt;line-height:1.2}
.sheet.sheet .word,.sheet.sheet .word *{font-size:8.5pt;margin:0 0 .6mm}"""

_OF_DE_ESSER = "Threshold of the de-esser"
_WORDS = (
    ("Attack, release", "time constants: the time in which the reduction covers 63 % of the way, if the level holds. A device that "
     "states the time to 90 % shows the second figure, 2.3 times the first."),
    ("dBFS", "level relative to full scale. Thresholds are right for the level under “goes in”; if your take is louder or "
     "softer at that point, move the threshold by the same amount."),
    ("Acting", "share of the sung time with more than 0.5 dB of reduction. Median: the reduction is below it half of the sung "
     "time."),
    ("Needle", "the most that a slow reduction meter (0.3 s, like a VU meter) shows. It misses short peaks, so expect "
     "less there."),
    (_OF_DE_ESSER, "level above its frequency, relative to the voice's running level. On another device, "
     "lower it until the loudest s sounds lose as much as “you should see” says."),
)  # fmt: skip


class SettingsPage:
    """A chain and what it did to a take, as one page to print.

    Parameters
    ----------
    result : ChainResult
        Of the chain on the take.
    title : str
        Such as the take's name.

    Notes
    -----
    Put it last in a cell to see it; :meth:`save` writes it as HTML that needs no other file and prints on one A4 page.
    Times in the two ways of stating them: :func:`vocomp_lab.analysis.times.stated_times`.
    """

    def __init__(self, result: ChainResult, title: str = "Vocal"):
        self.result = result
        self.title = title
        self._body = _page(result, title)

    @property
    def html(self) -> str:
        """The whole page."""
        title = f"<title>{html.escape(self.title)}: settings sheet</title>"
        return (
            f"<!DOCTYPE html><html lang='en'><head><meta charset='utf-8'>{title}"
            f"</head><body style='margin:0'>{self._body}</body></html>\n"
        )

    def save(self, path, *, overwrite: bool = False) -> Path:
        """Write the page to an ``.html`` file; a FileExistsError if there is one and `overwrite` is false."""
        return write_text(self.html, path, overwrite=overwrite)

    def _repr_html_(self):
        return self._body


def stated_settings(processor) -> list[tuple[str, str]]:
    """The settings of a processor as they are said in the trade.

    Parameters
    ----------
    processor : processor

    Returns
    -------
    list of (str, str)
        Label, and value with its unit. Times are stated for 63 % and for 90 %. What is rarely shown and stands as it
        always does is left out.
    """
    if isinstance(processor, ClipGain):
        count = len(processor.regions)
        crossfade = f"{processor.crossfade_ms:g} ms, equal gain"
        return [("Regions", f"{count} (below, with start and end)"), ("Crossfade", crossfade)]
    if isinstance(processor, FaderRide):
        farthest = f"{decibels(processor.farthest_db, sign=True)} dB"
        return [("Points", f"{len(processor.points)} (below; a line in dB between them)"), ("Farthest", farthest)]
    kind = type(processor)
    controls = {control.field: control for control in CONTROLS.get(kind, ())}
    first = FIRST_SHOWN.get(kind, tuple(controls))
    stated = []
    # What a detector is has to be known on any device, though the page's own controls keep it in the second row.
    first = (*first, *(name for name in ("detector", "order", "q") if name in controls))
    for part in dataclasses.fields(processor):
        value = getattr(processor, part.name)
        if part.name not in first and value == part.default:
            continue
        control = controls.get(part.name)
        if control is None:
            stated.append((part.name, str(value)))
        elif isinstance(control, Choice):
            chosen = next((text for text, option in control.options if option == value), str(value))
            stated.append((control.label, chosen))
        else:
            stated.append((control.label, _stated(part.name, control, value)))
    return stated


def _stated(field, control, value) -> str:
    if value is None:
        return control.off_label or "off"
    if field in ("attack_ms", "release_ms"):
        # The step's size changes nothing about the share of it that is covered.
        times = stated_times(value, 1.0)
        return f"{times.time_constant_ms:.3g} ms (90 %: {times.ninety_percent_ms:.3g} ms)"
    sign = field in ("gain_db", "makeup_db")
    if control.unit.startswith(":"):
        return f"{control.text(value)}:1"
    text = decibels(value, sign=True) if sign and math.isfinite(value) else control.text(value)
    return f"{text} {control.unit}".strip()


def _page(result: ChainResult, title: str) -> str:
    stages = list(result.stages.values())
    rooms = _rooms([len(_moves(stage.processor)) for stage in stages])
    rows = [
        row for number, (stage, room) in enumerate(zip(stages, rooms), start=1) for row in _rows(number, stage, room)
    ]
    active = active_mask(result.source)
    before, after = (clip_numbers(clip, active) for clip in (result.source, result.output))
    total = ""
    if any(stage.reduction_db is not None for stage in result.stages.values()):
        stats = reduction_stats(result.reduction_db, active)
        median, most = decibels(stats.median_db), decibels(stats.max_db)
        total = f" All reductions together: {median} dB (median), {most} dB at most."
    rest = (
        f"The take: {decibels(before.loudness_lufs)} → {decibels(after.loudness_lufs)} LUFS, "
        f"peak {decibels(before.peak_dbfs)} → {decibels(after.peak_dbfs)} dBFS, "
        f"crest factor {decibels(before.crest_db)} → {decibels(after.crest_db)} dB.{total}"
    )
    kinds = [type(stage.processor) for stage in result.stages.values()]
    words = "".join(
        f"<p class='word'><b>{word}:</b> {meaning}</p>"
        for word, meaning in _WORDS
        if word != _OF_DE_ESSER or DeEsser in kinds
    )
    table = table_html(rows or [["No stages: the take passes unchanged."]], ("stage", "set", "you should see"))
    return (
        f"<style>{_STYLE}</style><div class='sheet'><h1>{html.escape(title)}: settings sheet</h1>"
        f"<p>{html.escape(rest)} The stages, in this order:</p>{table}{words}</div>"
    )


def _rows(number: int, stage: StageResult, room: int) -> list[list]:
    kind = KINDS.get(type(stage.processor).__name__, type(stage.processor).__name__)
    stated = stated_settings(stage.processor)
    settings = "; ".join(f"{html.escape(label)} <b>{html.escape(value)}</b>" for label, value in stated)
    name = Html(f"{number} {html.escape(stage.name)}<small>{kind}</small>")
    moves = _moves(stage.processor)
    more = [[Html(_listed(moves, room))]] if moves else []
    return [[name, Html(settings), what_it_did(stage)], *more]


def _moves(processor) -> list[tuple[str, float]]:
    """What a hand does on a stage, each move with its time and its gain; none on a stage that no hand moves."""
    if isinstance(processor, ClipGain):
        return [(f"{clock(r.start_s, 2)}–{clock(r.end_s, 2)}", r.gain_db) for r in processor.regions]
    if isinstance(processor, FaderRide):
        return [(clock(point.at_s, 2), point.gain_db) for point in processor.points]
    return []


def _rooms(counts: list[int]) -> list[int]:
    """How many moves of each stage are listed: a fair share of the page, and what the others leave of theirs."""
    fair = MOST_MOVES // max(sum(count > 0 for count in counts), 1)
    return [MOST_MOVES - sum(min(other, fair) for m, other in enumerate(counts) if m != n) for n in range(len(counts))]


def _listed(moves: list[tuple[str, float]], room: int) -> str:
    shown = moves[:room]
    items = "".join(f"<li>{when} <b>{decibels(gain_db, sign=True)} dB</b></li>" for when, gain_db in shown)
    left = len(moves) - len(shown)
    more = f"<small>and {left} more: see the JSON sheet</small>" if left else ""
    density = " class='many'" if len(shown) > 24 else ""
    return f"<ul{density}>{items}</ul>{more}"


@asks(stage=Of(StageResult, "a stage of a result, such as result.stages['peaks']"))
def what_it_did(stage: StageResult) -> str:
    """What the meters say about a stage, in one line: the target for another device."""
    active = active_mask(stage.source)
    rms = active_rms_dbfs(stage.source, active) if active.any() else rms_dbfs(stage.source)
    if stage.reduction_db is None:
        before, after = (clip_numbers(clip, active) for clip in (stage.source, stage.output))
        return (
            f"peak {decibels(before.peak_dbfs)} → {decibels(after.peak_dbfs)} dBFS, "
            f"loudness {decibels(before.loudness_lufs)} → {decibels(after.loudness_lufs)} LUFS"
        )
    stats = reduction_stats(stage.reduction_db, active)
    needle = float(reduction_needle(stage.reduction_db, stage.source.rate).max())
    middle = f"{decibels(stats.median_db)} dB (median), " if stats.median_db >= 0.1 else ""
    return (
        f"reduction {middle}{decibels(stats.max_db)} dB at most (needle {decibels(needle)}), acting in "
        f"{100 * stats.share:.0f} % of the sung time; goes in: {decibels(rms)} dBFS RMS (sung), "
        f"peak {decibels(sample_peak_dbfs(stage.source))}"
    )
