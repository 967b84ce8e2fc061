"""What "attack" and "release" times mean: one time constant, stated in the several ways of the trade.

Where the demand jumps and holds, a smoothed reduction approaches it as c·(1 − e^(−t/τ)). The compressors here are set by
τ; data sheets are not always. And what a compressor really does with a burst of sound can be measured.

A wave's demand doesn't hold: at every crossing of zero a peak detector asks for nothing, so that on a tone the
reduction takes longer and settles below the static curve (lesson ``04_peak_control``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from vocomp_lab.processors.flow import A_PROCESSOR, reducing
from vocomp_lab.sound.audio import Clip, check_rate
from vocomp_lab.sound.checks import asks, check_number


@dataclass(frozen=True)
class StatedTimes:
    """One and the same motion of the reduction, as different sheets would state it, in ms.

    Attributes
    ----------
    time_constant_ms : float
        τ: 63.2 % of the step is covered. What the compressors here are set by.
    ninety_percent_ms : float
        90 % is covered: 2.303 τ.
    ten_db_ms : float
        The first 10 dB are covered; infinite for a step that is not larger than that.
    within_3_db_ms, within_2_db_ms, within_4_db_ms : float
        3, 2 and 4 dB are left. The hearing-aid standards state times like these for a sound that steps from 55 to 90 dB
        and back, which is a smaller step of reduction: ANSI S3.22 an attack to within 3 dB and a release to within
        4 dB, IEC 60118-2 both to within 2 dB (values from memory).
    """

    time_constant_ms: float
    ninety_percent_ms: float
    ten_db_ms: float
    within_3_db_ms: float
    within_2_db_ms: float
    within_4_db_ms: float


def stated_times(time_constant_ms: float, step_db: float) -> StatedTimes:
    """How the same motion would be stated.

    Parameters
    ----------
    time_constant_ms : float
        τ, above 0.
    step_db : float
        The step of demanded reduction in dB, above 0.

    Notes
    -----
    Closed forms of c·(1 − e^(−t/τ)); tested against measured steps.
    """
    tau = check_number("time_constant_ms", time_constant_ms, 0, 1e6, "ms", low_open=True)
    step_db = check_number("step_db", step_db, 0, 200, "dB", low_open=True)
    return StatedTimes(
        tau,
        tau * math.log(10),
        -tau * math.log1p(-10 / step_db) if step_db > 10 else math.inf,
        *(time_until_within_ms(tau, step_db, within_db) for within_db in (3, 2, 4)),
    )


def time_until_within_ms(time_constant_ms: float, step_db: float, within_db: float) -> float:
    """Time after which a step of `step_db` has come within `within_db` of its end, in ms; 0 if it starts there."""
    return max(time_constant_ms * math.log(step_db / within_db), 0.0)


@dataclass(frozen=True, eq=False)
class Burst:
    """How a compressor's reduction came and went with one burst of sound.

    Made by :func:`measure_burst`.

    Attributes
    ----------
    reduction_db : ndarray, shape (frames,)
        Over the whole of it, from the start of the burst on.
    end : int
        The first frame after the burst.
    rate : int
    """

    reduction_db: np.ndarray = field(repr=False)
    end: int
    rate: int

    @property
    def reached_db(self) -> float:
        """The reduction at the end of the burst."""
        return float(self.reduction_db[self.end - 1])

    def attack_ms(self, share: float = 1.0 - math.exp(-1.0)) -> float:
        """Time from the start until this share of what was reached is reached; 63.2 % by default."""
        return self._ms(self.reduction_db[: self.end] >= share * self.reached_db)

    def release_ms(self, left: float = math.exp(-1.0)) -> float:
        """Time from the end until only this share of what was reached is left; 36.8 % by default.

        Infinite where it lasts longer than was measured.
        """
        return self._ms(self.reduction_db[self.end :] <= left * self.reached_db)

    def _ms(self, there) -> float:
        return 1000.0 * (int(np.argmax(there)) + 1) / self.rate if self.reached_db > 0 and there.any() else math.inf


@asks(processor=A_PROCESSOR)
def measure_burst(processor, burst_s: float, after_s: float, level_dbfs: float = -6.0, rate: int = 48_000) -> Burst:
    """Let a compressor answer a burst of sound that starts at once, holds, and stops at once.

    Parameters
    ----------
    processor : object
        With ``apply(clip)`` whose result has ``reduction_db``.
    burst_s, after_s : float
        How long the burst and the silence after it last, above 0 to 60 s.
    level_dbfs : float
        Of the burst, −120 to 0 dBFS.
    rate : int

    Returns
    -------
    Burst

    Notes
    -----
    The burst is a square wave of 1 kHz: all its samples are of one size, so that a peak detector sees a plain step, and
    nothing but the compressor's own motion is measured.
    """
    rate = check_rate(rate)
    burst = round(check_number("burst_s", burst_s, 0, 60, "s", low_open=True) * rate)
    after = round(check_number("after_s", after_s, 0, 60, "s", low_open=True) * rate)
    peak = 10 ** (check_number("level_dbfs", level_dbfs, -120, 0, "dBFS") / 20)
    wave = np.where(np.arange(max(burst, 1)) * 2_000 // rate % 2, -peak, peak)
    result = reducing(processor, Clip(np.concatenate([wave, np.zeros(max(after, 1))]), rate))
    return Burst(result.reduction_db, len(wave), rate)
