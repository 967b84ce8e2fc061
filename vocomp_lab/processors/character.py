"""Detector types: four ways in which compressors have been built, as generic models with their equations.

None stands for any device: each shows what its *kind* of circuit does to attack, release, curve and colour. All share
one way from reduction to sound, and every recursion is solved by :mod:`vocomp_lab.processors.recursion`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np

from vocomp_lab.processors.colour import DRIVE_DB, Colour
from vocomp_lab.processors.compressor import DYNAMICS_RULES, Compressed, Compressor, Dynamics
from vocomp_lab.processors.memory import Memory
from vocomp_lab.processors.recursion import coefficient, static_reduction
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.checks import Range, check_choice
from vocomp_lab.sound.levels import db_to_amplitude

FET_ASYMMETRY = 0.03
"""Asymmetry of the FET model's curve: mostly odd harmonics, and a little of the even ones."""
TUBE_ASYMMETRY = math.sqrt(1.0 / 3.0)
"""Asymmetry of the tube model's curve: the one whose cubic part is nil."""
OPTO_MEMORY_PER_DB = 0.1
"""By how much of itself the opto model's tail grows for every decibel of reduction that it remembers."""
TUBE_PER_DB = 1.0 / 6.0
"""By how much of itself the tube model's release grows, and its attack shrinks, for every decibel asked for."""

RULES = {
    **DYNAMICS_RULES,
    "bend_db": Range(0, 48, "dB", low_open=True),
    "rms_ms": Range(0, 1_000, "ms", low_open=True),
    "tail_ms": Range(0, 20_000, "ms", low_open=True),
    "memory_ms": Range(0, 20_000, "ms", low_open=True),
    "drive_db": DRIVE_DB,
}
"""What the settings of the models may be."""

# A bend narrower than this bends no sound, and a level over it would be beyond every float.
_NARROWEST_BEND_DB = 1e-300


class Character(Dynamics):
    """What the detector types share: settings that are checked alike, and the way from level to sound."""

    threshold_db: float
    ratio: float
    attack_ms: float
    release_ms: float
    makeup_db: float
    mix: float

    def __post_init__(self):
        self._keep(**{part.name: RULES[part.name].check(part.name, getattr(self, part.name)) for part in fields(self)})

    def detect_db(self, columns: np.ndarray, rate: int, memory: Memory | None = None) -> np.ndarray:
        """The level that the gain computer sees, dBFS, shape (frames,), of samples of shape (frames, channels).

        The memory is that of the block before, where a long file is taken block by block; so with every method here.
        """
        return self._detector().detect_db(columns, rate, memory)

    def apply(self, clip: Clip) -> Compressed:
        """Compress a clip; `reduction_db` of the result is that of the gain element, colour left aside.

        Parameters
        ----------
        clip : Clip

        Returns
        -------
        Compressed
        """
        detector_db = self.detect_db(clip.columns, clip.rate)
        reduction_db = self.reduction_db(detector_db, clip.rate)
        gain = db_to_amplitude(-reduction_db)
        if self.mix > 0:
            wet = clip.with_samples(clip.samples * (gain if clip.samples.ndim == 1 else gain[:, None]))
            colour = self._colour()
            wet = wet if colour is None else colour.apply(wet)
            wet = (wet.gained(self.makeup_db) if self.makeup_db else wet).samples
            output = clip.with_samples(self.mix * wet + (1.0 - self.mix) * clip.samples if self.mix < 1.0 else wet)
        else:
            output = clip
        return Compressed(output, reduction_db, detector_db, clip, self.makeup_db, self.mix)

    def _detector(self) -> Compressor:
        """The compressor whose detector, and where it fits the rest, the model uses."""
        return Compressor(self.threshold_db, self.ratio, self.attack_ms, self.release_ms)

    def _colour(self) -> Colour | None:
        return None


@dataclass(frozen=True)
class VcaCompressor(Character):
    """A voltage-controlled amplifier: clean, exact, and as fast or slow as it is told.

    Parameters
    ----------
    threshold_db, ratio, attack_ms, release_ms, knee_db, makeup_db, rms_ms, mix : float
        As in :class:`vocomp_lab.Compressor`.

    Notes
    -----
    The feed-forward compressor in decibels with an RMS detector (Giannoulis, Massberg & Reiss 2012, eq. 4, 7 and 16),
    since that is what such circuits compute: the amplifier's gain is the exponential of a voltage. That they go with
    RMS detectors: common practice, no source. It adds no colour.
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
        As in :class:`vocomp_lab.Compressor`; the knee is hard. While the sound is over the threshold, the feedback
        makes it `ratio` times faster than the times say.
    drive_db : float
        Of the colour, −60 to 24 dB.

    Notes
    -----
    The peak detector and the feedback smoother r = a·r₋ + (1 − a)·C(v) of
    :func:`vocomp_lab.processors.recursion.smooth_feedback`, then a curve (:class:`vocomp_lab.Colour`, asymmetry 0.03). From a
    drive and level of about −15 dB together, the third harmonic leads. Feedback: Giannoulis, Massberg & Reiss (2012),
    section 2.1; that such circuits are fast and add mostly odd harmonics: common practice, no source.
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

    def asked_db(self, level_db):
        return static_reduction(level_db, self.threshold_db, self.slope, 0.0)

    def _detector(self):
        return Compressor(self.threshold_db, self.ratio, self.attack_ms, self.release_ms, topology="feedback")

    def _colour(self):
        return Colour(self.drive_db, FET_ASYMMETRY)


@dataclass(frozen=True)
class OptoCompressor(Character):
    """A lamp and a light-dependent resistor: lets go in two stages, and remembers how long and deep it has worked.

    Parameters
    ----------
    threshold_db, ratio, attack_ms, knee_db, makeup_db, mix : float
        As in :class:`vocomp_lab.Compressor`.
    release_ms : float
        Time constant of the first half of the release, above 0 to 20,000.
    tail_ms : float
        Time constant of the second half after little work, above 0 to 20,000; a tenth more for each decibel remembered.
    memory_ms : float
        Time constant in which the cell learns that it is at work, above 0 to 20,000. Reduction that is over sooner
        leaves almost no tail.

    Notes
    -----
    With C the reduction that the soft-knee curve (Giannoulis, Massberg & Reiss 2012, eq. 4) asks for at the peak level,
    and B(x; τ up, τ down) their branching smoother, eq. 16::

        fast   y = B(C; attack, release)
        memory m[n] = b·m[n−1] + (1 − b)·y[n],  b from memory_ms
        tail   s = B(y/2; memory, tail·(1 + 0.1·m))
        reduction = max(y, s)

    The attack is that of y alone, for s never charges above y/2; on release y falls fast, until s, at up to half the
    reduction, holds it. The two-stage release that depends on the past is common practice; this way to write it is the
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
        fast = np.maximum(memory.branching("fast", self.asked_db(detector_db), attack, release), 0.0)
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
        The ratio that very loud sound gets to, 1 to infinity.
    attack_ms : float
        Time constant for a sound that hardly passes the threshold, above 0 to 5,000; shorter for more.
    release_ms : float
        Time constant after a short peak, above 0 to 20,000; longer after a loud stretch.
    bend_db : float
        How far over the threshold half the full slope is reached, above 0 to 48 dB.
    memory_ms : float
        Time constant of what counts as a loud stretch, above 0 to 20,000.
    drive_db : float
        Of the colour, −60 to 24 dB.

    Notes
    -----
    With o the level over the threshold in dB (0 below it), S = 1 − 1/ratio and w the bend, the curve asks for
    C = S·(o − w·ln(1 + o/w)), whose slope S·o/(o + w) grows from 0 to S. With m[n] = b·m[n−1] + (1 − b)·C[n], b from
    memory_ms, the reduction is the branching smoother (Giannoulis, Massberg & Reiss 2012, eq. 16) of C with the times
    attack/(1 + C/6) and release·(1 + m/6). Then a curve follows (:class:`vocomp_lab.Colour`, asymmetry 1/√3: no cubic
    part, so that the second harmonic leads). Ratio and release that depend on the programme: common practice; these
    formulas are the project's own, no source.
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
        asked = self.asked_db(detector_db)
        attack = coefficient(self.attack_ms / _grown(asked, TUBE_PER_DB), rate)
        remembered = memory.one_pole("past", coefficient(self.memory_ms, rate), asked)
        release = coefficient(self.release_ms * _grown(remembered, TUBE_PER_DB), rate)
        reduction = memory.branching("reduction", asked, attack, release)
        return np.maximum(reduction, 0.0, out=reduction)

    def asked_db(self, level_db):
        over = np.maximum(np.asarray(level_db, dtype=float) - self.threshold_db, 0.0)
        # In place where it can be, since a fresh array for every step costs more than most of the steps.
        bent = np.log1p(over / max(self.bend_db, _NARROWEST_BEND_DB))
        bent *= self.bend_db
        over -= bent
        # For small o the difference of two equal terms is rounding; it must not go below zero.
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
"""The detector types by the word for each."""


def character(kind: str, **settings) -> Character:
    """A compressor of a detector type.

    Parameters
    ----------
    kind : {"vca", "fet", "opto", "tube"}
    **settings
        Fields of the type's class that shall differ from its defaults; all have `threshold_db`, `ratio`, `attack_ms`,
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
