"""Compressor types: four ways to build a compressor, as generic models with their equations.

None is a model of any device. Each shows what its *kind* of circuit does to attack, release, curve and colour. All
share one way from reduction to sound, and every recursion is solved by :mod:`vocomp_lab.processors.recursion`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np

from vocomp_lab.processors.colour import DRIVE_DB, Colour
from vocomp_lab.processors.compressor import DYNAMICS_RULES, Compressor, CompressorFlow, Dynamics
from vocomp_lab.processors.flow import Piece, Queue
from vocomp_lab.processors.memory import Memory
from vocomp_lab.processors.recursion import coefficient, static_reduction
from vocomp_lab.sound.checks import Range, check_choice
from vocomp_lab.sound.levels import db_to_amplitude

FET_ASYMMETRY = 0.03
"""Asymmetry of the FET model's curve: mostly odd harmonics, with a few even ones."""
TUBE_ASYMMETRY = math.sqrt(1.0 / 3.0)
"""Asymmetry of the tube model's curve: the one without a cubic part, as a rough picture of a single-ended stage."""
OPTO_MEMORY_PER_DB = 0.1
"""The opto model's tail grows by this share of itself for every decibel of reduction that it remembers."""
TUBE_PER_DB = 1.0 / 6.0
"""For every decibel of target reduction, the tube model's release grows, and its attack shrinks, by this share."""

RULES = {
    **DYNAMICS_RULES,
    "bend_db": Range(0, 48, "dB", low_open=True),
    "rms_ms": Range(0, 1_000, "ms", low_open=True),
    "tail_ms": Range(0, 20_000, "ms", low_open=True),
    "memory_ms": Range(0, 20_000, "ms", low_open=True),
    "drive_db": DRIVE_DB,
}
"""The legal ranges of the models' settings."""

# A bend narrower than this bends nothing, and a level divided by it would be too large for a float.
_NARROWEST_BEND_DB = 1e-300


class CharacterFlow(CompressorFlow):
    """A compressor type at work: its colour may hold the sound back, and with it the dry share and the curves."""

    def __init__(self, processor, rate, channels):
        super().__init__(processor, rate, channels)
        colour = processor._colour() if processor.mix > 0 else None
        self.colour = None if colour is None else colour.flow(rate, channels)
        self.needs_every_bit = self.colour is not None
        self.dry, self.reductions_db, self.detected_db = Queue(channels), Queue(), Queue()

    def turn_down(self, piece, last):
        if self.colour is None:
            yield from super().turn_down(piece, last)
            return
        makeup_db, mix = self.processor.makeup_db, self.processor.mix
        dry, reduction_db, detector_db = piece
        self.reductions_db.put(reduction_db)
        self.detected_db.put(detector_db)
        if mix < 1.0:
            self.dry.put(dry)
        for coloured in self.colour.push(dry * db_to_amplitude(-reduction_db)[:, None], last):
            wet, frames = coloured.samples, len(coloured.samples)
            if makeup_db:
                wet = wet * 10.0 ** (makeup_db / 20.0)
            if mix < 1.0:
                wet = mix * wet + (1.0 - mix) * self.dry.take(frames)
            yield Piece(wet, self.reductions_db.take(frames), self.detected_db.take(frames))


class Character(Dynamics):
    """What the compressor types share: the rules for their settings, and the way from level to sound."""

    FLOW = CharacterFlow
    threshold_db: float
    ratio: float
    attack_ms: float
    release_ms: float

    def __post_init__(self):
        self._keep(**{part.name: RULES[part.name].check(part.name, getattr(self, part.name)) for part in fields(self)})

    def detect_db(self, columns: np.ndarray, rate: int, memory: Memory | None = None) -> np.ndarray:
        """The level that the gain computer sees, dBFS, shape (frames,), of samples of shape (frames, channels).

        For a long file, block by block, `memory` is what the block before left; so with every method here.
        """
        return self._detector().detect_db(columns, rate, memory)

    def _detector(self) -> Compressor:
        """The plain compressor whose detector the model uses, and the rest of it where it fits."""
        return Compressor(self.threshold_db, self.ratio, self.attack_ms, self.release_ms)

    def _colour(self) -> Colour | None:
        return None


@dataclass(frozen=True)
class VcaCompressor(Character):
    """A voltage-controlled amplifier: clean, exact, and as fast or slow as you set it.

    Parameters
    ----------
    threshold_db, ratio, attack_ms, release_ms, knee_db, makeup_db, rms_ms, mix : float
        As in :class:`vocomp_lab.Compressor`.

    Notes
    -----
    The feed-forward compressor in decibels with an RMS detector (Giannoulis, Massberg & Reiss 2012, eq. 4, 7 and 16),
    since that is what such circuits compute: the amplifier's gain is the exponential of a voltage. The RMS detector:
    common practice, no source. It adds no colour.
    """

    threshold_db: float = -20.0
    ratio: float = 3.0
    attack_ms: float = 5.0
    release_ms: float = 100.0
    knee_db: float = 3.0
    makeup_db: float = 0.0
    rms_ms: float = 5.0
    mix: float = 1.0

    def reduction_db(self, detector_db: np.ndarray, rate: int, memory: Memory | None = None) -> np.ndarray:
        """The smoothed reduction that a detector level leads to: dB, ≥ 0, shape (frames,)."""
        return self._detector().reduction_db(detector_db, rate, memory=memory)

    def _detector(self):
        return Compressor(
            self.threshold_db,
            self.ratio,
            self.attack_ms,
            self.release_ms,
            self.knee_db,
            detector="rms",
            rms_ms=self.rms_ms,
        )


@dataclass(frozen=True)
class FetCompressor(Character):
    """A field-effect transistor as the gain element: listens to its own output, very fast, and coloured.

    Parameters
    ----------
    threshold_db, ratio, attack_ms, release_ms, makeup_db, mix : float
        As in :class:`vocomp_lab.Compressor`; the knee is hard. Above the threshold, the feedback makes it
        `ratio` times faster than its times say.
    drive_db : float
        How hard the colour is driven, −60 to 24 dB.

    Notes
    -----
    The peak detector and the feedback smoother r = a·r₋ + (1 − a)·C(v) of
    :func:`vocomp_lab.processors.recursion.smooth_feedback`, then a curve (:class:`vocomp_lab.Colour`, asymmetry 0.03).
    Where drive and level add up to more than about −15 dB, the third harmonic leads. Feedback: Giannoulis, Massberg &
    Reiss (2012), section 2.1; that such circuits are fast and add mostly odd harmonics: common practice, no source.
    """

    threshold_db: float = -20.0
    ratio: float = 4.0
    attack_ms: float = 0.2
    release_ms: float = 80.0
    drive_db: float = 6.0
    makeup_db: float = 0.0
    mix: float = 1.0

    def reduction_db(self, detector_db: np.ndarray, rate: int, memory: Memory | None = None) -> np.ndarray:
        """The smoothed reduction that a detector level leads to: dB, ≥ 0, shape (frames,)."""
        return self._detector().reduction_db(detector_db, rate, memory=memory)

    def target_reduction_db(self, level_db):
        return static_reduction(level_db, self.threshold_db, self.slope, 0.0)

    def _detector(self):
        return Compressor(self.threshold_db, self.ratio, self.attack_ms, self.release_ms, topology="feedback")

    def _colour(self):
        return Colour(self.drive_db, FET_ASYMMETRY)


@dataclass(frozen=True)
class OptoCompressor(Character):
    """A lamp and a light-dependent resistor: lets go in two stages, and remembers how long and how deeply it has
    worked.

    Parameters
    ----------
    threshold_db, ratio, attack_ms, knee_db, makeup_db, mix : float
        As in :class:`vocomp_lab.Compressor`.
    release_ms : float
        Time constant of the first half of the release, above 0 to 20,000.
    tail_ms : float
        Time constant of the second half after little work, above 0 to 20,000. Each remembered decibel adds a tenth.
    memory_ms : float
        How fast the cell learns that it is at work, as a time constant, above 0 to 20,000. Shorter reductions leave
        almost no tail.

    Notes
    -----
    Let C be the target reduction of the soft-knee curve (Giannoulis, Massberg & Reiss 2012, eq. 4) at the peak level,
    and B(x; τ up, τ down) their branching smoother, eq. 16::

        fast   y = B(C; attack, release)
        memory m[n] = b·m[n−1] + (1 − b)·y[n],  b from memory_ms
        tail   s = B(y/2; memory, tail·(1 + 0.1·m))
        reduction = max(y, s)

    The attack is that of y alone, since s never charges above y/2. On release y falls fast, until s, at up to half the
    reduction, holds it. The two-stage release that depends on the past is common practice; these equations are the
    project's own, no source.
    """

    threshold_db: float = -24.0
    ratio: float = 3.0
    attack_ms: float = 12.0
    release_ms: float = 60.0
    tail_ms: float = 800.0
    memory_ms: float = 600.0
    knee_db: float = 12.0
    makeup_db: float = 0.0
    mix: float = 1.0

    def reduction_db(self, detector_db: np.ndarray, rate: int, memory: Memory | None = None) -> np.ndarray:
        """The smoothed reduction that a detector level leads to: dB, ≥ 0, shape (frames,)."""
        memory = Memory() if memory is None else memory
        attack, release = coefficient(self.attack_ms, rate), coefficient(self.release_ms, rate)
        fast = np.maximum(memory.branching("fast", self.target_reduction_db(detector_db), attack, release), 0.0)
        learning = coefficient(self.memory_ms, rate)
        remembered = memory.one_pole("past", learning, fast)
        fading = coefficient(self.tail_ms * _grown(remembered, OPTO_MEMORY_PER_DB), rate)
        return np.maximum(fast, memory.branching("tail", fast / 2.0, learning, fading))


@dataclass(frozen=True)
class TubeCompressor(Character):
    """A variable-gain tube: the louder the sound, the higher the ratio and the faster the grip.

    Parameters
    ----------
    threshold_db, makeup_db, mix : float
        As in :class:`vocomp_lab.Compressor`.
    ratio : float
        The ratio that very loud sound approaches, 1 to infinity.
    attack_ms : float
        Time constant for a sound just over the threshold, above 0 to 5,000; shorter for louder sound.
    release_ms : float
        Time constant after a short peak, above 0 to 20,000; longer after a loud stretch.
    bend_db : float
        How far over the threshold half of the full slope is reached, above 0 to 48 dB.
    memory_ms : float
        Time constant of what counts as a loud stretch, above 0 to 20,000.
    drive_db : float
        How hard the colour is driven, −60 to 24 dB.

    Notes
    -----
    With o the level over the threshold in dB (0 below it), S = 1 − 1/ratio and w the bend, the target reduction is
    C = S·(o − w·ln(1 + o/w)), whose slope S·o/(o + w) grows from 0 to S. With m[n] = b·m[n−1] + (1 − b)·C[n], b from
    memory_ms, the reduction is the branching smoother (Giannoulis, Massberg & Reiss 2012, eq. 16) of C with the times
    attack/(1 + C/6) and release·(1 + m/6). Then a curve follows (:class:`vocomp_lab.Colour`, asymmetry 1/√3: no cubic
    part, so the second harmonic leads), as in a single-ended stage; two tubes in push–pull would largely cancel the even
    harmonics (value from memory). Ratio and release that depend on the programme: common practice; these formulas are
    the project's own, no source.
    """

    threshold_db: float = -28.0
    ratio: float = 6.0
    attack_ms: float = 10.0
    release_ms: float = 150.0
    bend_db: float = 12.0
    memory_ms: float = 1_000.0
    drive_db: float = -12.0
    makeup_db: float = 0.0
    mix: float = 1.0

    def reduction_db(self, detector_db: np.ndarray, rate: int, memory: Memory | None = None) -> np.ndarray:
        """The smoothed reduction that a detector level leads to: dB, ≥ 0, shape (frames,)."""
        memory = Memory() if memory is None else memory
        asked = self.target_reduction_db(detector_db)
        attack = coefficient(self.attack_ms / _grown(asked, TUBE_PER_DB), rate)
        remembered = memory.one_pole("past", coefficient(self.memory_ms, rate), asked)
        release = coefficient(self.release_ms * _grown(remembered, TUBE_PER_DB), rate)
        reduction = memory.branching("reduction", asked, attack, release)
        return np.maximum(reduction, 0.0, out=reduction)

    def target_reduction_db(self, level_db):
        over = np.maximum(np.asarray(level_db, dtype=float) - self.threshold_db, 0.0)
        # In place where possible: a fresh array for every step would cost more than most of the steps.
        bent = np.log1p(over / max(self.bend_db, _NARROWEST_BEND_DB))
        bent *= self.bend_db
        over -= bent
        # For small o the difference is rounding alone; it must not go below zero.
        over = np.maximum(over, 0.0)
        over *= self.slope
        return over

    def _colour(self):
        return Colour(self.drive_db, TUBE_ASYMMETRY)


def _grown(curve_db: np.ndarray, per_db: float) -> np.ndarray:
    """1 + per_db·curve: the factor by which a time grows or shrinks."""
    factor = per_db * curve_db
    factor += 1.0
    return factor


CHARACTERS = {"vca": VcaCompressor, "fet": FetCompressor, "opto": OptoCompressor, "tube": TubeCompressor}
"""The compressor types by the word for each."""


def character(kind: str, **settings) -> Character:
    """A compressor of one of the four types.

    Parameters
    ----------
    kind : {"vca", "fet", "opto", "tube"}
    **settings
        Fields of the type's class to set other than its defaults. All types have `threshold_db`, `ratio`, `attack_ms`,
        `release_ms`, `makeup_db` and `mix`.

    Returns
    -------
    VcaCompressor, FetCompressor, OptoCompressor or TubeCompressor

    Raises
    ------
    ValueError
        If the kind or a setting is unknown, or a value is out of its range.


    Examples
    --------
    >>> from vocomp_lab import character
    >>> character("opto", threshold_db=-30).release_ms
    60.0
    """
    made = CHARACTERS[check_choice("kind", kind, tuple(CHARACTERS))]
    known = [part.name for part in fields(made)]
    for name in settings:
        if name not in known:
            raise ValueError(f"{name}: a {made.__name__} has no such setting; give one of {', '.join(known)}.")
    return made(**settings)
