"""Attack and release time as the hearing-aid standards define them, measured on our compressor and held against the
closed form.

ANSI S3.22 and IEC 60118-2 (values from memory) put in a tone that steps from 55 to 90 dB sound pressure level and
back. The attack time runs from the step up until the output stays within 3 dB (S3.22) or 2 dB (IEC 60118-2) of its
final level, the release time from the step down until it stays within 4 dB (S3.22) or 2 dB (IEC 60118-2).

Closed form: the step changes the demanded reduction by D dB, and what is still missing after t is D·e^(−t/τ). It is
down to m dB at t = τ·ln(D/m).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.sound.audio import Clip

RATE = 48_000
# Our choice of what sound pressure level full scale stands for; only the 35 dB between the two levels count.
FULL_SCALE_SPL = 95.0
LOW_DB, HIGH_DB = 55 - FULL_SCALE_SPL, 90 - FULL_SCALE_SPL
# Margins in dB for attack and release, values from memory.
STANDARDS = {"ANSI S3.22": (3.0, 4.0), "IEC 60118-2": (2.0, 2.0)}
BEFORE_S, LOUD_S = 0.5, 1.0
TIMES = [(2.0, 50.0), (5.0, 100.0), (20.0, 400.0)]


def stepped(carrier, release_ms) -> Clip:
    """The carrier at 55, then 90, then 55 dB, the last for ten release times."""
    frames = [int(seconds * RATE) for seconds in (BEFORE_S, LOUD_S, 10 * release_ms / 1000)]
    gain = np.repeat([10 ** (level / 20) for level in (LOW_DB, HIGH_DB, LOW_DB)], frames)
    return Clip(carrier(np.arange(len(gain)) / RATE) * gain, RATE)


def measured_ms(clip, compressor, window, attack_margin_db, release_margin_db):
    """Attack and release time by the standards' definition, from the peak level of every `window` frames of the
    output.
    """
    out = np.abs(compressor.apply(clip).output.samples)
    out = 20 * np.log10(out[: len(out) // window * window].reshape(-1, window).max(axis=1))
    up, down = int(BEFORE_S * RATE) // window, int((BEFORE_S + LOUD_S) * RATE) // window

    def until_it_stays(level_db, margin_db):
        far = np.flatnonzero(np.abs(level_db - level_db[-1]) > margin_db)
        return (far[-1] + 1) * window / RATE * 1000

    return until_it_stays(out[up:down], attack_margin_db), until_it_stays(out[down:], release_margin_db)


def demanded_step_db(threshold_db, ratio) -> float:
    return (HIGH_DB - max(LOW_DB, threshold_db)) * (1 - 1 / ratio)


@pytest.mark.parametrize("standard", STANDARDS)
@pytest.mark.parametrize("attack_ms, release_ms", TIMES)
@pytest.mark.parametrize("threshold_db, ratio", [(-50.0, 2.0), (-40.0, 4.0), (-25.0, 10.0), (-25.0, math.inf)])
def test_attack_and_release_of_a_steady_carrier_follow_the_closed_form(
    threshold_db, ratio, attack_ms, release_ms, standard, deviation
):
    """A square wave has a constant magnitude, so that nothing but the ballistics is measured: exact to a frame or
    two.
    """
    margins = STANDARDS[standard]
    clip = stepped(lambda t: np.where(np.arange(len(t)) // 24 % 2, 1.0, -1.0), release_ms)
    attack, release = measured_ms(clip, Compressor(threshold_db, ratio, attack_ms, release_ms), 1, *margins)
    step_db = demanded_step_db(threshold_db, ratio)
    two_frames_ms = 2000 / RATE
    off = attack - attack_ms * math.log(step_db / margins[0])
    deviation("attack, steady carrier", f"closed form of {standard} (memory)", off, two_frames_ms, "ms")
    # Ten release times leave e^-10 of the step: the last frame stands for the final level to 0.002 dB.
    off = release / (release_ms * math.log(step_db / margins[1])) - 1
    within = max(two_frames_ms / release_ms, 1e-3) * 100
    deviation("release, steady carrier", f"closed form of {standard} (memory)", 100 * off, within, "%")


@pytest.mark.parametrize("standard", STANDARDS)
@pytest.mark.parametrize("attack_ms, release_ms", TIMES)
@pytest.mark.parametrize("freq_hz", (1000, 2000))
def test_attack_and_release_of_a_tone_with_the_peak_detector(freq_hz, attack_ms, release_ms, standard):
    """A tone's magnitude lies under its peak most of the time, and the attack only acts while the demand is above the
    reduction.

    So a peak detector's attack on a tone takes 1.4 to 1.6 times the closed form, and it settles a little below
    the demand of the peak, which shortens the release by up to 3 %. Times are read to half a cycle of the tone.
    """
    margins = STANDARDS[standard]
    clip = stepped(lambda t: np.sin(2 * np.pi * freq_hz * t), release_ms)
    window = RATE // freq_hz // 2
    attack, release = measured_ms(clip, Compressor(-40, 4, attack_ms, release_ms), window, *margins)
    step_db, half_cycle_ms = demanded_step_db(-40, 4), 500 / freq_hz
    closed_attack, closed_release = (tau * math.log(step_db / m) for tau, m in zip((attack_ms, release_ms), margins))
    print(
        f"{standard}, {freq_hz} Hz, {attack_ms}/{release_ms} ms: attack {attack / closed_attack:.2f} × the closed, "
        f"release {release / closed_release:.3f} ×"
    )
    assert 1.3 * closed_attack < attack < 1.6 * closed_attack + half_cycle_ms
    assert 0.96 * closed_release - half_cycle_ms < release < closed_release + half_cycle_ms


@pytest.mark.parametrize("standard", STANDARDS)
@pytest.mark.parametrize("attack_ms, release_ms", TIMES)
@pytest.mark.parametrize("freq_hz", (1000, 2000))
def test_attack_and_release_of_a_tone_with_the_rms_detector(freq_hz, attack_ms, release_ms, standard):
    """A mean over half a millisecond fills the gaps between the peaks: close to the closed form, plus the mean's own
    time.
    """
    margins, rms_ms = STANDARDS[standard], 0.5
    clip = stepped(lambda t: np.sin(2 * np.pi * freq_hz * t), release_ms)
    compressor = Compressor(-43.01, 4, attack_ms, release_ms, detector="rms", rms_ms=rms_ms)
    attack, release = measured_ms(clip, compressor, RATE // freq_hz // 2, *margins)
    step_db, half_cycle_ms = 35 * (1 - 1 / 4), 500 / freq_hz
    closed_attack, closed_release = (tau * math.log(step_db / m) for tau, m in zip((attack_ms, release_ms), margins))
    # The mean square of a tone ripples by a third at 1 kHz, so the reduction rides near the ripple's top.
    assert attack == pytest.approx(closed_attack, rel=0.08, abs=half_cycle_ms + 2 * rms_ms)
    assert release == pytest.approx(closed_release, rel=0.05, abs=half_cycle_ms + 10 * rms_ms)
