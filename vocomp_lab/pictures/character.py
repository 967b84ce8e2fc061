"""Pictures of the detector types: how they come and go, and the tones that they add. Colours and line styles are those of :mod:`vocomp_lab.pictures.panels`, in the order of the labels."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from vocomp_lab.analysis.distortion import tone_spectrum_db
from vocomp_lab.analysis.measures import decibels
from vocomp_lab.analysis.times import Burst
from vocomp_lab.pictures.shown import tell
from vocomp_lab.pictures.style import BLUE, GREY, LINE_STYLES, VERMILION
from vocomp_lab.processors.colour import Colour

MARKERS = ("o", "s", "^", "D", "v", "P")
LOWEST_DB = -105.0
"""Lines of a spectrum below this are not drawn: down there the rounding of single precision begins."""
ALIASING_GOAL_DB = -80.0


def plot_bursts(coming: Axes, going: Axes, bursts: dict[str, Burst], attack_ms: float, release_ms: float) -> None:
    """How reductions come and go with a burst: each as the share of what it reached, drawn downward.

    Parameters
    ----------
    coming, going : Axes
        For the start of the burst, and for what comes after it.
    bursts : dict of label to Burst
    attack_ms, release_ms : float
        The times that were set, marked where 63.2 % of the way should be covered.
    """
    shown_ms = {coming: 6.0 * attack_ms, going: 15.0 * release_ms}
    for (label, burst), (color, style) in zip(bursts.items(), LINE_STYLES):
        share = 100.0 * burst.reduction_db / max(burst.reached_db, 1e-9)
        for ax, part in ((coming, share[: burst.end]), (going, share[burst.end :])):
            part = part[: round(shown_ms[ax] * burst.rate / 1000)]
            times_ms = 1000.0 * (np.arange(len(part)) + 1) / burst.rate
            ax.plot(times_ms, part, color=color, linestyle=style, linewidth=2.0, label=label)
    for ax, name, at_ms, left in ((coming, "attack", attack_ms, 63.2), (going, "release", release_ms, 36.8)):
        ax.plot(at_ms, left, "o", color="black", markersize=7, zorder=5, label=f"{name} of {at_ms:g} ms, as set (dot)")
        ax.set(xlim=(0, shown_ms[ax]), ylim=(106, 0))
        ax.grid(True, color="#dddddd", linewidth=0.6)
        ax.legend(frameon=False, loc="upper right" if ax is coming else "lower right")
    coming.set(xlabel="time since the sound began (ms)", ylabel="gain reduction\n(% of what is reached)")
    going.set(xlabel="time since the sound stopped (ms)")


def plot_harmonics(ax: Axes, harmonics: dict[str, np.ndarray], low_db: float = -100.0) -> None:
    """Levels of single harmonics side by side, told apart by marker and place.

    Parameters
    ----------
    ax : Axes
    harmonics : dict of label to ndarray of shape (count,)
        Levels of the 2nd, 3rd, … harmonic in dB relative to the fundamental.
    low_db : float
        The lower end of the axis; what lies below it is not drawn.
    """
    sentences = []
    apart, count = 0.8 / len(harmonics), max(map(len, harmonics.values()))
    for place, ((label, levels_db), (color, style), marker) in enumerate(zip(harmonics.items(), LINE_STYLES, MARKERS)):
        orders = 2 + np.arange(len(levels_db)) + apart * (place - (len(harmonics) - 1) / 2)
        seen = levels_db > low_db
        ax.vlines(orders[seen], low_db, levels_db[seen], color=color, linestyle=style, linewidth=2.0)
        none = "" if seen.any() else f" (none above {low_db:.0f} dB)".replace("-", "−")
        ax.plot(orders[seen], levels_db[seen], marker, color=color, markersize=8, label=label + none)
    ax.set(xlim=(1.4, count + 1.6), ylim=(low_db, 0))
    ax.set(xlabel="harmonic (times the note)", ylabel="level (dB, the note = 0)")
    ax.set_xticks(range(2, count + 2))
    ax.grid(True, axis="y", color="#dddddd", linewidth=0.6)
    ax.legend(frameon=False, loc="upper right")
    for label, levels_db in harmonics.items():
        told = ", ".join(decibels(level) if level > low_db else f"under {decibels(low_db)}" for level in levels_db)
        sentences.append(f"{label}, from the second harmonic on, in dB: {told}")
    tell(ax, *sentences)


def _tone(line: int, spectrum_db: np.ndarray) -> str:
    return f"{decibels(spectrum_db[line])} dB at {line / 1000:.3g} kHz"


def plot_aliasing(
    bare: Axes, oversampled: Axes, colour: Colour, freq_hz: int, level_dbfs: float, rate: int = 48_000
) -> None:
    """One tone bent by one curve, without and with oversampling: harmonics, and tones that are none.

    Parameters
    ----------
    bare, oversampled : Axes
    colour : Colour
    freq_hz : int
        Best one that shares no factor with the rate; see :func:`vocomp_lab.analysis.distortion.aliasing_db`.
    level_dbfs : float
    rate : int
    """
    for ax, process in ((bare, colour.apply_bare), (oversampled, colour.apply)):
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
        ax.grid(True, axis="y", color="#dddddd", linewidth=0.6)
        tones, false = lines[seen & true & (lines > 0)], lines[seen & ~true]
        overtones = ", ".join(_tone(line, spectrum_db) for line in tones)
        strongest = f", the strongest {_tone(false[spectrum_db[false].argmax()], spectrum_db)}" if len(false) else ""
        tell(
            ax, f"Note and harmonics: {overtones}", f"{len(false)} false tones over {decibels(LOWEST_DB)} dB{strongest}"
        )
    bare.set_ylabel("level (dB, the note = 0)")
    # Where the panel is nearly empty.
    oversampled.legend(frameon=True, framealpha=0.9, edgecolor="none", loc="upper center")
