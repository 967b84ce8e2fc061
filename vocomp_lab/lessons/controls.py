"""Which sliders a processor gets: their labels, units and ranges, and how a typed value is read.

A slider covers the useful range; a typed value may go as far as the processor allows.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from vocomp_lab.processors.character import FetCompressor, OptoCompressor, TubeCompressor, VcaCompressor
from vocomp_lab.processors.clip_gain import ClipGain
from vocomp_lab.processors.colour import Colour
from vocomp_lab.processors.compressor import BALLISTICS, DETECTORS, TOPOLOGIES, Compressor
from vocomp_lab.processors.deesser import MODES, REFERENCES, DeEsser
from vocomp_lab.processors.filters import HighPass, HighShelf, LowShelf, Peaking
from vocomp_lab.processors.gain import Gain
from vocomp_lab.processors.rides import FaderRide
from vocomp_lab.sound.text import decibels

# About two dozen steps a decade, even to the ear, all of them numbers that people say.
_ROUND_FIGURES = (1, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2, 2.2, 2.5, 2.8, 3, 3.3, 3.6, 4, 4.5, 5, 5.5, 6, 6.5, 7, 7.5, 8, 9)

_NUMBER = re.compile(r"([-+]?(?:\d+\.?\d*|\.\d+)(?:e[-+]?\d+)?|∞|infinity|inf)\s*(\D.*)?")

# "1,200" and "1,200.5": thousands. Any other single comma is a decimal comma: "2,5", and "0,125" with its leading zero.
_THOUSANDS = re.compile(r"(?<![\d.,])([1-9]\d{0,2}(?:,\d{3})+)(?![\d,])")

# Units that may follow a number besides the control's own, and their factors.
_UNITS = {
    "dBFS": {"db": 1.0},
    "ms": {"s": 1000.0},
    "Hz": {"khz": 1000.0, "k": 1000.0},
    ": 1": {":": 1.0, "to1": 1.0},
}


@dataclass(frozen=True)
class Control:
    """A slider for one numeric setting.

    Parameters
    ----------
    field : str
        The processor's field.
    label, unit : str
        As the trade says it.
    low, high : float
        Ends of the slider.
    step : float
        Of a linear slider, in the unit.
    log : bool
        Logarithmic, for times, frequencies and ratios: the slider stops at round numbers, 24 to the decade.
    digits : int
        Decimals shown at least, on a linear slider.
    off_label : str, optional
        Makes the setting one that can be switched off (None), with this word for off.
    """

    field: str
    label: str
    unit: str
    low: float
    high: float
    step: float = 0.5
    log: bool = False
    digits: int = 1
    off_label: str | None = None

    def stops(self) -> tuple[float | None, ...]:
        """The values that the slider stops at, rising; off, where there is one, comes first."""
        if self.log:
            decades = range(math.floor(math.log10(self.low)), math.ceil(math.log10(self.high)) + 1)
            stops = [round(figure * 10.0**decade, 6) for decade in decades for figure in _ROUND_FIGURES]
            stops = [self.low, *(stop for stop in stops if self.low < stop < self.high), self.high]
        else:
            count = round((self.high - self.low) / self.step)
            stops = [round(self.low + n * self.step, 6) for n in range(count + 1)]
        return tuple(stops) if self.off_label is None else (None, *stops)

    def nearest(self, value: float | None) -> int:
        """Index of the stop nearest to a value."""
        stops = self.stops()
        if value is None:
            return 0
        first = 0 if self.off_label is None else 1
        scale = math.log if self.log and value > 0 else float
        return min(range(first, len(stops)), key=lambda n: abs(scale(stops[n]) - scale(min(value, 1e9))))

    def text(self, value: float | None) -> str:
        """The value as the box shows it, without its unit."""
        if value is None:
            return self.off_label or ""
        if math.isinf(value):
            return "∞"
        if self.log:
            return f"{float(f'{value:.6g}'):.10g}"
        decimals = max(len(f"{value:.6f}".rstrip("0").partition(".")[2]), self.digits)
        return decibels(value, decimals)

    def read(self, text: str) -> float | None:
        """The number in a typed text: "−18", "2,5 ms", "1,200", "1 s", "3:1", "∞"; off, if the setting can be off.

        A comma with one to three digits before it, the first not a zero, and exactly three after it separates thousands:
        "1,200" is 1200. Any other single comma is a decimal comma.

        Raises
        ------
        ValueError
            In one sentence, if there is no number in it, or the unit isn't this setting's.
        """
        words = text.strip().lower().replace("−", "-")
        words = _THOUSANDS.sub(lambda found: found[0].replace(",", ""), words).replace(",", ".")
        if self.off_label is not None and words in (self.off_label, "off", "none", ""):
            return None
        scales = {"": 1.0, self.unit.lower().replace(" ", ""): 1.0, **_UNITS.get(self.unit, {})}
        found = _NUMBER.fullmatch(words)
        tail = (found[2] or "").replace(" ", "") if found else None
        if tail not in scales:
            unit = f" {self.unit}" if self.unit and not self.unit.startswith(":") else self.unit
            raise ValueError(
                f"{self.label}: {text.strip()!r} can't be read; type a number such as {self.text(self.low)}{unit} or {self.text(self.high)}{unit}."
            )
        value = math.inf if found[1] in ("∞", "inf", "infinity") else float(found[1]) * scales[tail]
        if self.unit == "dBFS" and value > 0:
            raise ValueError(
                f"{self.label}: {text.strip()!r} is above full scale, where there is no sound; type −{value:g} if you meant that."
            )
        return value

    @property
    def help(self) -> str:
        """What the control does, in a sentence."""
        return HELP[self.field]


@dataclass(frozen=True)
class Choice:
    """A menu for one setting that is a word."""

    field: str
    label: str
    options: tuple[tuple[str, object], ...]  # (shown, value)

    @property
    def help(self) -> str:
        """What the menu chooses, in a sentence."""
        return HELP[self.field]


def _freq(low, high, label="Frequency"):
    return Control("freq_hz", label, "Hz", low, high, log=True)


_Q = Control("q", "Q (narrowness)", "", 0.3, 12, log=True)
_GAIN = Control("gain_db", "Gain", "dB", -18, 18, 0.5)

_THRESHOLD = Control("threshold_db", "Threshold", "dBFS", -60, 0, 0.5)
_RATIO = Control("ratio", "Ratio", ": 1", 1, 30, log=True)
_ATTACK = Control("attack_ms", "Attack", "ms", 0.05, 200, log=True)
_RELEASE = Control("release_ms", "Release", "ms", 5, 2000, log=True)
_KNEE = Control("knee_db", "Knee", "dB", 0, 24, 0.5)
_MAKEUP = Control("makeup_db", "Make-up gain", "dB", -6, 18, 0.1)
_MIX = Control("mix", "Mix", "", 0, 1, 0.01, digits=2)
_RMS = Control("rms_ms", "RMS time", "ms", 0.5, 200, log=True)
_DRIVE = Control("drive_db", "Drive", "dB", -40, 24, 0.5)
_MEMORY = Control("memory_ms", "Memory", "ms", 50, 5000, log=True)

CONTROLS: dict[type, tuple[Control | Choice, ...]] = {
    Compressor: (
        _THRESHOLD,
        _RATIO,
        _ATTACK,
        _RELEASE,
        _KNEE,
        _MAKEUP,
        _MIX,
        Control("lookahead_ms", "Look-ahead", "ms", 0, 20, 0.1),
        Control("sidechain_highpass_hz", "Side-chain cut", "Hz", 20, 500, log=True, off_label="off"),
        Choice("detector", "Detector", tuple(zip(("peak", "RMS"), DETECTORS))),
        _RMS,
        Choice(
            "topology", "Detector hears", tuple(zip(("the input (feed-forward)", "the output (feedback)"), TOPOLOGIES))
        ),
        Choice("ballistics", "Smoother", tuple(zip(("branching", "decoupled"), BALLISTICS))),
    ),
    ClipGain: (Control("crossfade_ms", "Crossfade", "ms", 1, 1000, log=True),),
    FaderRide: (),
    Gain: (Control("gain_db", "Gain", "dB", -24, 24, 0.5),),
    HighPass: (
        _freq(20, 400, "Corner"),
        Choice("order", "Slope", tuple((f"{6 * order} dB per octave", order) for order in range(1, 9))),
    ),
    Peaking: (_freq(40, 12_000, "Centre"), _GAIN, _Q),
    LowShelf: (_freq(40, 2_000), _GAIN, _Q),
    HighShelf: (_freq(500, 16_000), _GAIN, _Q),
    DeEsser: (
        Control("threshold_db", "Threshold", "dB", -60, 0, 0.5),
        _freq(2_000, 12_000, "From"),
        _RATIO,
        Control("range_db", "Range (at most)", "dB", 0, 24, 0.5),
        Control("attack_ms", "Attack", "ms", 0.05, 50, log=True),
        Control("release_ms", "Release", "ms", 5, 500, log=True),
        _KNEE,
        Choice("mode", "Turns down", tuple(zip(("the band", "everything"), MODES))),
        Choice(
            "reference", "Threshold counts from", tuple(zip(("the voice's running level", "full scale"), REFERENCES))
        ),
    ),
    Colour: (_DRIVE, Control("asymmetry", "Asymmetry", "", 0, 0.9, 0.01, digits=2)),
    VcaCompressor: (_THRESHOLD, _RATIO, _ATTACK, _RELEASE, _KNEE, _MAKEUP, _MIX, _RMS),
    FetCompressor: (_THRESHOLD, _RATIO, _ATTACK, _RELEASE, _DRIVE, _MAKEUP, _MIX),
    OptoCompressor: (
        _THRESHOLD,
        _RATIO,
        _ATTACK,
        _RELEASE,
        Control("tail_ms", "Release tail", "ms", 50, 5000, log=True),
        _MEMORY,
        _KNEE,
        _MAKEUP,
        _MIX,
    ),
    TubeCompressor: (
        _THRESHOLD,
        Control("ratio", "Highest ratio", ": 1", 1, 30, log=True),
        _ATTACK,
        _RELEASE,
        Control("bend_db", "Bend", "dB", 1, 24, 0.5),
        _MEMORY,
        _DRIVE,
        _MAKEUP,
        _MIX,
    ),
}
"""The controls of each kind of processor, in the order a bench shows them."""

HELP = {
    "threshold_db": "Above this level the gain is turned down.",
    "ratio": "How many decibels above the threshold come out as one.",
    "attack_ms": "How long the reduction takes to get 63 % of the way up to what a level that holds calls for.",
    "release_ms": "How long the reduction takes to get 63 % of the way back once that level is gone.",
    "knee_db": "How gradually the ratio comes in around the threshold; 0 is a sharp corner.",
    "makeup_db": "Gain after the reduction, to make up for it.",
    "mix": "How much of what you hear is compressed; 1 is all of it.",
    "lookahead_ms": "How far ahead of the sound the detector listens.",
    "sidechain_highpass_hz": "Below this frequency the detector hears nothing; what you hear is not filtered.",
    "detector": "Whether the level is each peak or an average (RMS).",
    "rms_ms": "How long that average is; only for the RMS detector.",
    "topology": "Whether the detector listens to the input or to the output.",
    "ballistics": "How attack and release combine: one or the other, or one after the other.",
    "crossfade_ms": "How long the gain takes to move from one region to the next.",
    "gain_db": "How much louder, or softer if negative.",
    "freq_hz": "Where the filter starts to act, or the centre of a bell.",
    "order": "How steeply the filter falls away below its corner.",
    "range_db": "The most that is ever taken off.",
    "mode": "Whether only the hiss is turned down, or everything while it lasts.",
    "reference": "What the threshold is relative to; the voice's own level suits soft and loud singing alike.",
    "drive_db": "How far the sound is pushed into the curve that bends it; more adds stronger harmonics.",
    "asymmetry": "How differently the two halves of the wave are bent; 0 adds odd harmonics only.",
    "tail_ms": "The shortest time of the second half of the release.",
    "memory_ms": "How long it must work steadily before its release slows down.",
    "bend_db": "How far above the threshold it reaches half its full slope.",
    "q": "How narrow the bell is, or how steep the shelf.",
}
"""What each setting does: the sentence its control shows when pointed at."""

FIRST_SHOWN: dict[type, tuple[str, ...]] = {
    Compressor: ("threshold_db", "ratio", "attack_ms", "release_ms", "knee_db", "makeup_db"),
    DeEsser: ("threshold_db", "freq_hz", "ratio", "range_db"),
    VcaCompressor: ("threshold_db", "ratio", "attack_ms", "release_ms", "makeup_db"),
    FetCompressor: ("threshold_db", "ratio", "attack_ms", "release_ms", "drive_db", "makeup_db"),
    OptoCompressor: ("threshold_db", "ratio", "attack_ms", "release_ms", "tail_ms", "makeup_db"),
    TubeCompressor: ("threshold_db", "ratio", "attack_ms", "release_ms", "drive_db", "makeup_db"),
}
"""The controls shown at first; the others are under "more controls". A kind not named here shows all."""


def controls_for(kind: type) -> tuple[Control | Choice, ...]:
    """The controls of a kind of processor; ValueError if it has none."""
    if kind not in CONTROLS:
        raise ValueError(
            f"processor: a {kind.__name__} has no controls; known are {', '.join(k.__name__ for k in CONTROLS)}."
        )
    return CONTROLS[kind]
