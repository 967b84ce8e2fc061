"""What lesson 04 and its appendix say of ratios, tones, meters and look-ahead holds for both singers and on takes that nothing
was tuned on.
"""

from __future__ import annotations

import numpy as np
import pytest
from conftest import sine
from prepared import TAKES, prepared
from takes import ci_only

from vocomp_lab.analysis.lowend import band_level_db
from vocomp_lab.analysis.meters import reduction_needle, reduction_stats
from vocomp_lab.analysis.thresholds import threshold_for
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import sample_peak_dbfs

RATE = 48_000


@pytest.fixture(scope="module", params=[TAKES[0], *ci_only(TAKES[1:])])
def take(request):
    return prepared(request.param)


def settled_and_reached(curve) -> tuple[float, float]:
    """What the second second's middle is, and how many ms it takes to 63.2 % of that."""
    settled_db = float(np.median(curve[RATE:]))
    return settled_db, 1000 * float(np.argmax(curve > 0.632 * settled_db)) / RATE


@pytest.mark.parametrize("freq_hz", [220, *ci_only((110, 1_000))])
def test_a_tone_settles_below_the_static_curve_and_takes_longer_than_a_level(freq_hz):
    """−6 dBFS over −18 dBFS at 3:1: the static curve says 8 dB."""
    tone, level_db = Clip(sine(freq_hz, 2, RATE, -6), RATE), np.full(2 * RATE, -6.0)
    for attack_ms, release_ms, settles_db, after_ms in ((10, 80, 6.9, 15), (30, 100, 6.2, 40)):
        compressor = Compressor(-18, 3, attack_ms, release_ms)
        assert -6 - compressor.static_curve(-6) == pytest.approx(8)
        assert settled_and_reached(compressor.reduction_db(level_db, RATE)) == pytest.approx((8, attack_ms), abs=0.03)
        settled_db, reached_ms = settled_and_reached(compressor.apply(tone).reduction_db)
        assert settled_db == pytest.approx(settles_db, abs=0.05)
        # Read to half a cycle of the tone.
        assert reached_ms == pytest.approx(after_ms, abs=1 + 500 / freq_hz) and reached_ms > 1.25 * attack_ms
    fast_db, _ = settled_and_reached(Compressor(-18, 3, 1, 80).apply(tone).reduction_db)
    assert fast_db == pytest.approx(7.7, abs=0.05), "the faster the attack, the closer"


@pytest.mark.parametrize("freq_hz", [220, *ci_only((110, 1_000))])
def test_an_rms_detector_settles_on_the_curve_of_the_rms_level_and_later_where_the_attack_is_fast(freq_hz):
    tone = Clip(sine(freq_hz, 2, RATE, -6), RATE)
    on_curve_db = -9.0103 - Compressor(-18, 3, 1, 80).static_curve(-9.0103)
    later = {}
    for attack_ms, release_ms in ((1, 80), (10, 80), (30, 100)):
        reached = {}
        for detector in ("peak", "rms"):
            compressor = Compressor(-18, 3, attack_ms, release_ms, detector=detector, rms_ms=10)
            settled_db, reached[detector] = settled_and_reached(compressor.apply(tone).reduction_db)
        assert settled_db == pytest.approx(on_curve_db, abs=0.2)
        later[attack_ms] = reached["rms"] - reached["peak"]
    assert later[1] > 5 and later[10] > 1 and later[30] < later[10] + 1, "with a slow attack its average is no delay"


def test_of_two_ratios_that_take_as_much_off_the_highest_peak_the_lower_one_acts_more_often(take):
    shares = {}
    for ratio in (3, 8):
        compressor = Compressor(-20, ratio, 1, 80)
        compressor = Compressor(threshold_for(compressor, take.bare, "max_db", 4), ratio, 1, 80)
        stats = reduction_stats(compressor.apply(take.bare).reduction_db, take.sung)
        assert 4 <= stats.max_db < 4.8
        shares[ratio] = stats.share
    assert shares[3] > 1.1 * shares[8]


def test_an_attack_of_50_ms_lets_the_highest_peak_through_however_low_the_threshold_and_1_ms_does_not(take):
    peak_dbfs = sample_peak_dbfs(take.bare)
    falls_db = {
        attack_ms: peak_dbfs - sample_peak_dbfs(Compressor(peak_dbfs - 12, 3, attack_ms, 80).apply(take.bare).output)
        for attack_ms in (50, 1)
    }
    assert falls_db[50] < 0.7 and falls_db[1] > 3


def test_a_needle_hides_a_third_or_more_and_shows_more_of_a_slow_release(take):
    threshold_db = threshold_for(Compressor(-20, 3, 1, 80), take.bare, "share_percent", 10)
    shown, median_db = {}, {}
    for attack_ms, release_ms, knee_db in ((0.1, 40, 0), (1, 80, 0), (1, 400, 0), (1, 80, 24)):
        reduction = Compressor(threshold_db, 3, attack_ms, release_ms, knee_db).apply(take.bare).reduction_db
        shown[release_ms, knee_db] = reduction_needle(reduction, take.bare.rate).max() / reduction.max()
        median_db[release_ms, knee_db] = reduction_stats(reduction, take.sung).median_db
    assert max(shown[40, 0], shown[80, 0]) < 0.67
    assert shown[80, 0] + 0.1 < shown[400, 0] < 1
    assert median_db[80, 0] < 0.1 and median_db[80, 24] > 0.4, "a wide knee hardly rests"


def test_stages_add_up_moment_by_moment_so_that_the_sum_of_their_largest_is_only_the_worst_case(take):
    threshold_db = threshold_for(Compressor(-20, 3, 1, 80), take.bare, "share_percent", 10)
    stages = [("peaks", Compressor(threshold_db, 3, 1, 80)), ("steady", Compressor(threshold_db - 8, 2.5, 10, 200, 6))]
    both = Chain(stages).apply(take.bare)
    parts = [result.reduction_db for result in both.stages.values()]
    assert np.abs(both.reduction_db - sum(parts)).max() < 1e-9
    assert max(part.max() for part in parts) < both.reduction_db.max() < sum(part.max() for part in parts) - 0.3


def test_a_parallel_path_that_is_late_makes_a_comb_and_the_workbooks_own_mix_does_not(take):
    """Notches at odd multiples of 1/(2·delay): 250, 750 Hz … for 2 ms (two equal copies: |cos(π·f·delay)|)."""
    voice = take.bare
    frames = round(0.002 * voice.rate)
    late = np.concatenate([np.zeros(frames), voice.samples[:-frames]])
    mixes = (
        voice.with_samples(0.5 * (voice.samples + late)),
        Compressor(0, 3, 1, 80, lookahead_ms=2, mix=0.5).apply(voice),
    )
    for hz in (250, 500, 750, 1000):
        late_db, lined_up_db = (
            band_level_db(getattr(mixed, "output", mixed), hz - 10, hz + 10) - band_level_db(voice, hz - 10, hz + 10)
            for mixed in mixes
        )
        assert late_db < -20 if hz in (250, 750) else late_db == pytest.approx(0, abs=0.3)
        assert lined_up_db == pytest.approx(0, abs=1e-9)
