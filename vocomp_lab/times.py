"""What "attack" and "release" times mean: one time constant, told in the several ways of the trade.

A smoothed reduction approaches its goal as c·(1 − e^(−t/τ)). The compressors here are set by τ; data sheets are not always.
Explained in ``04_peak_control``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from vocomp_lab.checks import check_number


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
    within_3_db_ms, within_2_db_ms : float
        3 dB and 2 dB are left: the hearing-aid standards ANSI S3.22 and IEC 60118-2 (value from memory) state an attack time like
        this, for a step of their own.
    """

    time_constant_ms: float
    ninety_percent_ms: float
    ten_db_ms: float
    within_3_db_ms: float
    within_2_db_ms: float


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
    Closed forms of c·(1 − e^(−t/τ)); tested against measured steps. Explained in ``04_peak_control``.
    """
    tau = check_number("time_constant_ms", time_constant_ms, 0, 1e6, "ms", low_open=True)
    step_db = check_number("step_db", step_db, 0, 200, "dB", low_open=True)
    return StatedTimes(
        tau,
        tau * math.log(10),
        -tau * math.log1p(-10 / step_db) if step_db > 10 else math.inf,
        time_until_within_ms(tau, step_db, 3),
        time_until_within_ms(tau, step_db, 2),
    )


def time_until_within_ms(time_constant_ms: float, step_db: float, within_db: float) -> float:
    """Time after which a step of `step_db` has come within `within_db` of its end, in ms; 0 if it starts there."""
    return max(time_constant_ms * math.log(step_db / within_db), 0.0)
