"""Pictures of the compressor types: how their reduction comes and goes, and the tones that they add."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from vocomp_lab.analysis.distortion import tone_spectrum_db
from vocomp_lab.analysis.times import Burst
from vocomp_lab.pictures.shown import tell
from vocomp_lab.pictures.style import AN_AXES, BLUE, GREY, INK, LINES, VERMILION, legend, plain
from vocomp_lab.processors.colour import Colour
from vocomp_lab.sound.audio import A_RATE
from vocomp_lab.sound.checks import Named, Numbers, Of, Range, Whole, asks
from vocomp_lab.sound.text import decibels, minus

MARKERS = ("o", "s", "^", "D", "v", "P")
LOWEST_DB = -105.0
"""Lower lines of a spectrum are not drawn: down there the rounding of single precision begins."""
ALIASING_GOAL_DB = -80.0
_TIME_MS = Range(0, 20_000, "ms", low_open=True)


@asks(
    coming=AN_AXES,
    going=AN_AXES,
    bursts=Named(Of(Burst, "a Burst, as measure_burst() makes it")),
    attack_ms=_TIME_MS,
    release_ms=_TIME_MS,
)
def plot_bursts(coming: Axes, going: Axes, bursts: dict[str, Burst], attack_ms: float, release_ms: float) -> None:
    """How reductions come and go with a burst: each as a share of the most it reached, drawn downward.

    Parameters
    ----------
    coming, going : Axes
        For the start of the burst, and for what follows it.
    bursts : dict of label to Burst
    attack_ms, release_ms : float
        The times that were set, marked where 63.2 % of the way should be covered.
    """
    plain(coming), plain(going)
    shown_ms = {coming: 6.0 * attack_ms, going: 15.0 * release_ms}
    for label, burst in bursts.items():
        share = 100.0 * burst.reduction_db / max(burst.reached_db, 1e-9)
        for ax, part in ((coming, share[: burst.end]), (going, share[burst.end :])):
            part = part[: round(shown_ms[ax] * burst.rate / 1000)]
            times_ms = 1000.0 * (np.arange(len(part)) + 1) / burst.rate
            ax.plot(times_ms, part, linewidth=2.0, label=label)
    for ax, name, at_ms, left in ((coming, "attack", attack_ms, 63.2), (going, "release", release_ms, 36.8)):
        ax.plot(at_ms, left, "o", color=INK, markersize=7, zorder=5, label=f"{name} of {at_ms:g} ms, as set (dot)")
        ax.set(xlim=(0, shown_ms[ax]), ylim=(106, 0))
        legend(ax, "upper right" if ax is coming else "lower right")
    coming.set(xlabel="time since the sound began (ms)", ylabel="gain reduction\n(% of what is reached)")
    going.set(xlabel="time since the sound stopped (ms)")


@asks(ax=AN_AXES, harmonics=Named(Numbers(-1_000, 1_000, "dB", dims=1)), low_db=Range(-300, -1, "dB"))
def plot_harmonics(ax: Axes, harmonics: dict[str, np.ndarray], low_db: float = -100.0) -> None:
    """Levels of single harmonics side by side, distinguished by marker and place.

    Parameters
    ----------
    ax : Axes
    harmonics : dict of label to ndarray of shape (count,)
        Levels of the 2nd, 3rd, … harmonic in dB relative to the fundamental.
    low_db : float
        The lower end of the axis; what lies below it is not drawn.
    """
    plain(ax, grid="y")
    sentences = []
    apart, count = 0.8 / len(harmonics), max(map(len, harmonics.values()))
    for place, ((label, levels_db), look, marker) in enumerate(zip(harmonics.items(), LINES, MARKERS)):
        orders = 2 + np.arange(len(levels_db)) + apart * (place - (len(harmonics) - 1) / 2)
        seen = levels_db > low_db
        ax.vlines(orders[seen], low_db, levels_db[seen], **look, linewidth=2.0)
        none = "" if seen.any() else minus(f" (none above {low_db:.0f} dB)")
        ax.plot(orders[seen], levels_db[seen], marker, color=look["color"], markersize=8, label=label + none)
    ax.set(xlim=(1.4, count + 1.6), ylim=(low_db, 0))
    ax.set(xlabel="harmonic (times the note)", ylabel="level (dB, the note = 0)")
    ax.set_xticks(range(2, count + 2))
    legend(ax, "upper right")
    for label, levels_db in harmonics.items():
        levels = ", ".join(decibels(level) if level > low_db else f"under {decibels(low_db)}" for level in levels_db)
        sentences.append(f"{label}, from the second harmonic on, in dB: {levels}")
    tell(ax, *sentences)


def _tone(line: int, spectrum_db: np.ndarray) -> str:
    return f"{decibels(spectrum_db[line])} dB at {line / 1000:.3g} kHz"


@asks(
    bare=AN_AXES,
    oversampled=AN_AXES,
    colour=Of(Colour, "a Colour, such as Colour(6)"),
    freq_hz=Whole(20, 20_000),
    rate=A_RATE,
)
def plot_aliasing(
    bare: Axes, oversampled: Axes, colour: Colour, freq_hz: int, level_dbfs: float, rate: int = 48_000
) -> None:
    """One tone through one curve, without and with oversampling: its harmonics, and tones that are none.

    Parameters
    ----------
    bare, oversampled : Axes
    colour : Colour
    freq_hz : int
        Preferably one that shares no factor with the rate; see :func:`vocomp_lab.analysis.distortion.aliasing_db`.
    level_dbfs : float
    rate : int
    """
    for ax, process in ((bare, colour.apply_bare), (oversampled, colour.apply)):
        plain(ax, grid="y")
        spectrum_db = tone_spectrum_db(process, freq_hz, level_dbfs, rate)
        lines = np.arange(len(spectrum_db))
        seen, true = spectrum_db > LOWEST_DB, lines % freq_hz == 0
        for which, color, style, marker, label in (
            (true, BLUE, "-", "o", "note and harmonics"),
            (~true, VERMILION, ":", "x", "false tones (aliasing)"),
        ):
            at = seen & which & (lines > 0)
            ax.vlines(lines[at] / 1000, LOWEST_DB, spectrum_db[at], color=color, linestyle=style, linewidth=1.5)
            ax.plot(lines[at] / 1000, spectrum_db[at], marker, color=color, markersize=7, linestyle="none", label=label)
        ax.axhline(ALIASING_GOAL_DB, color=GREY, linestyle="--", linewidth=1.2, label="−80 dB (dashed)")
        ax.set(xlim=(0, rate / 2000), ylim=(LOWEST_DB, 8), xlabel="frequency (kHz)")
        tones, false = lines[seen & true & (lines > 0)], lines[seen & ~true]
        overtones = ", ".join(_tone(line, spectrum_db) for line in tones)
        strongest = f", the strongest {_tone(false[spectrum_db[false].argmax()], spectrum_db)}" if len(false) else ""
        tell(
            ax, f"Note and harmonics: {overtones}", f"{len(false)} false tones over {decibels(LOWEST_DB)} dB{strongest}"
        )
    bare.set_ylabel("level (dB, the note = 0)")
    # There the panel is nearly empty.
    oversampled.legend(frameon=True, framealpha=0.9, edgecolor="none", loc="upper center")
