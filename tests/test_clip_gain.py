"""Level prep: gains and their fades to the letter, and what stands out found against the truth of takes not tuned on.

The settings of the finder were chosen on the seeds 1 to 40 of either singer; the takes here are others.
"""

from __future__ import annotations

import functools
import subprocess
from types import SimpleNamespace

import numpy as np
import pytest
from conftest import IN_CI, need_program, one_sentence, rms_db, sine
from hypothesis import assume, example, given
from hypothesis import strategies as st
from scipy.signal import resample_poly
from takes import make_take

from vocomp_lab.analysis.level_prep import propose_regions
from vocomp_lab.analysis.meters import active_mask, reduction_stats
from vocomp_lab.analysis.words import (
    eye_and_ear,
    find_phrases,
    find_words,
    running_level,
    voiced_words,
)
from vocomp_lab.processors.clip_gain import ClipGain, GainRegion
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.filters import HighPass
from vocomp_lab.singer.song import VERSES, shipped
from vocomp_lab.sound.audio import Clip, load
from vocomp_lab.sound.levels import rms_dbfs

RATE = 48_000
SEEDS = (101, 102, 103, 104, 105, 106)
SHIPPED = {"first": "lesson_verse", "second": "second_verse"}
TAKES = [(verse, seed) for verse in VERSES for seed in ("shipped", *SEEDS)]


@functools.lru_cache(maxsize=None)
def take(verse, seed, faulty=True):
    if seed == "shipped":
        return shipped(f"{SHIPPED[verse]}_{'faulty' if faulty else 'clean'}")
    return {kind: make_take(verse, seed, kind) for kind in (False, True)}[faulty]  # sung once for both


@functools.lru_cache(maxsize=None)
def proposed(verse, seed, faulty=True):
    return tuple(propose_regions(take(verse, seed, faulty).clip))


# ----------------------------------------------------------------------------------------------- gains and their fades


@pytest.fixture
def ones():
    return Clip(np.ones(2 * RATE), RATE)


def test_a_region_has_its_gain_inside_and_leaves_the_rest_bit_for_bit(rng):
    clip = Clip(rng.normal(0, 0.1, (RATE, 2)), RATE)
    out = ClipGain([GainRegion(0.25, 0.5, -6)], crossfade_ms=10).apply(clip)
    t = clip.times_s()
    outside, inside = (t <= 0.245) | (t >= 0.505), (t >= 0.2551) & (t <= 0.4949)
    assert np.array_equal(out.samples[outside], clip.samples[outside])
    assert np.allclose(out.samples[inside], clip.samples[inside] * 10 ** (-6 / 20), rtol=1e-12)
    assert out.rate == RATE and out.samples.shape == clip.samples.shape


def test_fades_are_straight_lines_in_amplitude_centred_on_the_border(ones):
    out = ClipGain([GainRegion(0.5, 1.0, -12)], crossfade_ms=100).apply(ones).samples
    low = 10 ** (-12 / 20)
    for border, before, after in ((0.5, 1, low), (1.0, low, 1)):
        for part in (0.0, 0.25, 0.5, 0.75, 1.0):
            frame = round((border - 0.05 + 0.1 * part) * RATE)
            assert out[frame] == pytest.approx(before + part * (after - before), abs=1e-9)


def test_touching_regions_go_straight_from_one_gain_to_the_other(ones):
    out = ClipGain([GainRegion(1, 1.5, 6), GainRegion(0.5, 1, -6)], crossfade_ms=20).apply(ones).samples
    there = out[round(0.99 * RATE) : round(1.01 * RATE)]
    assert np.all(np.diff(there) > 0)
    assert np.ptp(np.diff(there)) < 1e-9
    # Two touching regions with one gain are one region.
    one, two = ClipGain([GainRegion(0.5, 1.5, -6)]), ClipGain([GainRegion(0.5, 1.5, -6)]).split(0, 1.0)
    assert len(two.regions) == 2 and np.allclose(one.apply(ones).samples, two.apply(ones).samples, atol=1e-12)


def test_fades_that_would_overlap_shrink_until_they_meet(ones):
    prep = ClipGain([GainRegion(0.5, 0.51, -20), GainRegion(0.52, 1, 3)], crossfade_ms=1000)
    assert prep.gain_db_at([0.505, 0.515]) == pytest.approx([-20, 0], abs=1e-9)
    assert prep.gain_db_at(0.495) == pytest.approx(0, abs=1e-9) and prep.gain_db_at(0.5) < 0
    assert np.abs(np.diff(prep.apply(ones).samples)).max() < 0.01


def test_a_fade_that_is_straight_in_decibels_is_as_good(ones):
    """Half a decibel apart over 6 dB, and neither clicks more than the other."""
    straight_db = ClipGain([GainRegion(0.5, 9, -6)], crossfade_ms=10).gain_db_at(ones.times_s())
    in_decibels = np.interp(ones.times_s(), [0.495, 0.505], [0, -6])
    assert np.abs(straight_db - in_decibels).max() == pytest.approx(0.51, abs=0.01)
    wave = 0.5 * np.sin(2 * np.pi * 220 * ones.times_s())
    clicks = [
        rms_dbfs(HighPass(2000, 4).apply(Clip(wave * 10 ** (gain_db / 20), RATE)).cut(0.49, 0.52))
        for gain_db in (straight_db, in_decibels)
    ]
    assert clicks[0] == pytest.approx(clicks[1], abs=1.5), clicks


def test_the_clips_ends(ones):
    start = ClipGain([GainRegion(0, 1, -6)]).apply(ones).samples
    assert start[0] == pytest.approx(10 ** (-6 / 20))
    reaching = ClipGain([GainRegion(1, 99, -6)]).apply(ones).samples
    assert reaching[-1] == pytest.approx(10 ** (-6 / 20))
    assert ClipGain([GainRegion(3, 4, -6)]).apply(ones) == ones
    assert ClipGain().apply(ones) == ones


@example(cuts=[0.0, 0.25], gains=[1.0] + 10 * [0.0], crossfade_ms=251.0, touching=False)  # no edge at the start
@given(
    cuts=st.lists(st.floats(0, 3), min_size=2, max_size=12, unique=True),
    gains=st.lists(st.floats(-48, 24), min_size=11, max_size=11),
    crossfade_ms=st.floats(1, 1000),
    touching=st.booleans(),
)
def test_the_gain_never_leaves_the_range_of_its_regions_and_0_db(cuts, gains, crossfade_ms, touching):
    cuts = sorted(cuts)
    assume(np.diff(cuts).min() > 1e-9)  # the middle of a region that is shorter is one of its ends
    regions = [GainRegion(a, b, g) for a, b, g in zip(cuts, cuts[1:], gains)][:: 1 if touching else 2]
    prep = ClipGain(regions, crossfade_ms)
    times = np.linspace(0, 3.5, 701)
    curve = prep.gain_db_at(times)
    used = [region.gain_db for region in regions] + [0.0]
    assert curve.shape == times.shape and min(used) - 1e-9 <= curve.min() and curve.max() <= max(used) + 1e-9
    for region in regions:
        assert prep.gain_db_at((region.start_s + region.end_s) / 2) == pytest.approx(region.gain_db, abs=1e-6)
    clip = Clip(np.ones((1_000, 2)), 8_000)
    assert np.allclose(prep.apply(clip).samples[:, 1], 10 ** (prep.gain_db_at(clip.times_s()) / 20))


def test_edits_give_new_objects_and_leave_the_old_one():
    old = ClipGain([GainRegion(1, 2, -3), GainRegion(4, 5, 2)], 20)
    assert old.with_region(GainRegion(0, 0.5, 1)).regions == (GainRegion(0, 0.5, 1), *old.regions)
    assert old.without(1).regions == old.regions[:1]
    assert old.moved(0, 6, 7).regions == (old.regions[1], GainRegion(6, 7, -3))
    assert old.changed(1, -8).regions[1] == GainRegion(4, 5, -8)
    assert old.split(0, 1.25).regions[:2] == (GainRegion(1, 1.25, -3), GainRegion(1.25, 2, -3))
    assert old.changed(0, 9).crossfade_ms == 20 and old.regions == (GainRegion(1, 2, -3), GainRegion(4, 5, 2))


TWO = ClipGain([GainRegion(1, 2, -3), GainRegion(4, 5, 2)])
REFUSED = {
    "start below 0": (lambda: GainRegion(-1, 2, 0), "start_s: -1"),
    "end at the start": (lambda: GainRegion(2, 2, 0), "end_s: 2"),
    "end before the start": (lambda: GainRegion(2, 1, 0), "end_s: 1"),
    "too soft": (lambda: GainRegion(1, 2, -48.1), "gain_db: -48.1"),
    "too loud": (lambda: GainRegion(1, 2, 24.1), "gain_db: 24.1"),
    "no number": (lambda: GainRegion(1, "2", 0), "end_s: '2'"),
    "overlap": (lambda: ClipGain([GainRegion(1, 2, 0), GainRegion(1.9, 3, 0)]), "1 to 2 s and 1.9 to 3 s"),
    "one inside another": (lambda: TWO.with_region(GainRegion(0, 9, 1)), "overlap"),
    "moved onto another": (lambda: TWO.moved(0, 3, 4.5), "overlap"),
    "no list": (lambda: ClipGain(GainRegion(1, 2, 0)), "regions: "),
    "tuples": (lambda: ClipGain([(1, 2, -3)]), "regions: [(1, 2, -3)]"),
    "no fade": (lambda: ClipGain([], 0), "crossfade_ms: 0"),
    "no such region": (lambda: TWO.without(2), "index: 2"),
    "negative index": (lambda: TWO.changed(-1, 0), "index: -1"),
    "none at all": (lambda: ClipGain().without(0), "index: 0"),
    "split outside": (lambda: TWO.split(0, 3), "at_s: 3"),
    "split at the start": (lambda: TWO.split(0, 1), "at_s: 1"),
    "split at the end": (lambda: TWO.split(0, 2), "at_s: 2"),
    "threshold": (lambda: propose_regions(Clip(np.zeros(9), RATE), threshold_db=0), "threshold_db: 0"),
    "length": (lambda: propose_regions(Clip(np.zeros(9), RATE), min_length_s=-1), "min_length_s: -1"),
    "share": (lambda: propose_regions(Clip(np.zeros(9), RATE), share=1.1), "share: 1.1"),
}


@pytest.mark.parametrize("make, part", REFUSED.values(), ids=REFUSED)
def test_what_is_not_allowed_is_refused_in_one_sentence(make, part):
    with pytest.raises(ValueError) as caught:
        make()
    one_sentence(caught, part)


# ------------------------------------------------------------------------------------------------- phrases and words


@pytest.mark.parametrize(
    ("verse", "seed"),
    [
        pytest.param(*key, marks=[pytest.mark.ci] * (key[1] != "shipped"))
        for key in TAKES
        if key[1] in ("shipped", *SEEDS[:2])
    ],
)
def test_phrases_are_those_of_the_truth(verse, seed):
    for faulty in (True, False):
        found, truth = find_phrases(take(verse, seed, faulty).clip), take(verse, seed, faulty).truth["phrases"]
        assert len(found) == len(truth)
        for span, phrase in zip(found, truth):
            # A consonant at either end may be too soft to see.
            assert -0.03 < span.start_s - phrase["start_s"] < 0.25 and -0.03 < phrase["end_s"] - span.end_s < 0.4


@pytest.mark.parametrize("verse", VERSES)
def test_words_fill_their_phrases_without_overlap_and_no_breath_is_one(verse):
    clip, truth = take(verse, "shipped").clip, take(verse, "shipped").truth
    words, phrases = find_words(clip), find_phrases(clip)
    assert 0.7 * len(truth["words"]) < len(words) < 2 * len(truth["words"])
    for phrase in phrases:
        own = [word for word in words if phrase.start_s <= word.start_s < phrase.end_s]
        assert own[0].start_s == phrase.start_s and own[-1].end_s == phrase.end_s
        assert all(a.end_s == b.start_s for a, b in zip(own, own[1:]))
    for start, end in truth["breaths"]:
        middle = (start + end) / 2
        assert not any(word.start_s < middle < word.end_s for word in words)


def test_the_level_of_a_tone_is_its_loudness():
    """A sine near 1 kHz reads its RMS level in LUFS (ITU-R BS.1770-5, annex 1)."""
    clip = Clip(np.concatenate([np.zeros(RATE), sine(997, 2, RATE, -10), np.zeros(RATE)]), RATE)
    (word,) = find_words(clip)
    assert word.level_db == pytest.approx(-10 - 3.01, abs=0.1)
    assert word.start_s == pytest.approx(1, abs=0.03) and word.length_s == pytest.approx(2, abs=0.05)
    times, level = running_level(clip)
    assert level[np.searchsorted(times, 2.0)] == pytest.approx(word.level_db, abs=0.1)
    assert len(times) == len(level) and np.all(np.diff(times) > 0)


def test_the_running_level_follows_over_three_seconds_and_is_nothing_where_nothing_is_sung():
    loud, soft = sine(300, 6, RATE, -10), sine(300, 6, RATE, -20)
    times, level = running_level(Clip(np.concatenate([loud, soft, np.zeros(6 * RATE)]), RATE))
    at = lambda second: level[np.searchsorted(times, second)]  # noqa: E731
    assert at(3) - at(9) == pytest.approx(10, abs=0.1)
    assert at(6) - at(9) == pytest.approx(10 * np.log10((10 + 1) / 2), abs=0.1)
    assert at(15) == -np.inf
    gains = ClipGain([GainRegion(6, 12, 10.0)])
    _, level = running_level(Clip(np.concatenate([loud, soft, np.zeros(6 * RATE)]), RATE), gains.gain_db_at)
    assert at(3) == pytest.approx(at(9), abs=0.1) == pytest.approx(at(6), abs=0.1) and at(15) == -np.inf


def test_what_is_tall_is_not_what_is_loud():
    """A click against a tone that is lower and lasts; the tone's loudness by BS.1770: a 1 kHz sine reads its RMS."""
    click, tone = np.zeros(RATE), sine(1000, 1, RATE, -20)
    click[RATE // 2] = 0.5
    peaks, louds = eye_and_ear(Clip(np.concatenate([click, tone]), RATE), [(0, 0.7), (1, 2)])
    assert peaks == pytest.approx([-6.02, -20], abs=0.01)
    assert louds[1] == pytest.approx(-20 - 3.01, abs=0.1) and louds[0] < louds[1] - 10


def test_voiced_words_are_words_without_closures_and_hisses():
    clip = take("first", "shipped").clip
    words, voiced = find_words(clip), voiced_words(clip)
    assert set(voiced) <= set(words) and all(word.length_s >= 0.0999 for word in voiced)


@pytest.mark.parametrize("shape", [(1,), (RATE,), (RATE, 2)], ids=str)
def test_silence_has_nothing_to_find(shape):
    clip = Clip(np.zeros(shape), RATE)
    assert find_phrases(clip) == find_words(clip) == voiced_words(clip) == propose_regions(clip) == []
    assert np.all(running_level(clip)[1] == -np.inf)


# ------------------------------------------------------------------------------------------------- against the truth


def others_of_the_phrase(truth, number):
    phrase = truth["words"][number]["phrase"]
    return [w["level_faulty_dbfs"] for k, w in enumerate(truth["words"]) if w["phrase"] == phrase and k != number]


def word_moves_db(clip, truth, regions):
    """By how much each word's level moves."""
    out = ClipGain(regions).apply(clip)
    return np.array(
        [
            rms_db(out.cut(w["start_s"], w["end_s"]).samples) - rms_db(clip.cut(w["start_s"], w["end_s"]).samples)
            for w in truth["words"]
        ]
    )


def share_moved(regions, start_s, end_s, sign):
    times = np.linspace(start_s, end_s, 1_000)
    return float(np.mean(sign * ClipGain(regions).gain_db_at(times) > 1.0))


def judge(verse, seed):
    clip, truth = take(verse, seed).clip, take(verse, seed).truth
    regions = proposed(verse, seed)
    word, phrase = truth["faults"]["loud_word"], truth["faults"]["quiet_phrase"]
    moves = word_moves_db(clip, truth, regions)
    in_phrase = [k for k, w in enumerate(truth["words"]) if w["phrase"] == phrase["phrase"]]
    meant = {word["word"], *in_phrase}
    word_error, phrase_error = moves[word["word"]] + word["gain_db"], np.median(moves[in_phrase]) + phrase["gain_db"]
    word_level_db = truth["words"][word["word"]]["level_faulty_dbfs"]
    return SimpleNamespace(
        stands_out_db=word_level_db - max(others_of_the_phrase(truth, word["word"])),
        word_error=word_error,
        phrase_error=phrase_error,
        word_found=share_moved(regions, word["start_s"], word["end_s"], -1) >= 0.7 and abs(word_error) <= 2.5,
        phrase_found=share_moved(regions, phrase["start_s"], phrase["end_s"], 1) >= 0.7 and abs(phrase_error) <= 2.5,
        wrong={truth["words"][k]["text"]: round(m, 1) for k, m in enumerate(moves) if k not in meant and abs(m) > 1.5},
    )


@pytest.fixture(scope="module")
def judged():
    return {key: judge(*key) for key in TAKES if IN_CI or key[1] == "shipped"}


def test_the_shipped_takes_are_levelled_as_the_truth_has_it(judged):
    """What lesson 02 stands on: every goal met on both."""
    for verse in VERSES:
        result = judged[verse, "shipped"]
        assert result.stands_out_db >= 4 and result.word_found and result.phrase_found and not result.wrong, result


def test_a_region_does_not_end_on_the_slope_of_its_word():
    """The shipped loud word dies away behind a drop: a gain that ended there would leave its last tenth of a second
    loud."""
    word = take("first", "shipped").truth["faults"]["loud_word"]
    assert proposed("first", "shipped")[-1].end_s > word["end_s"] - 0.03


@pytest.mark.ci
def test_loud_words_and_quiet_phrases_of_takes_not_tuned_on(judged):
    """Counted, since the goal (all of them) is not met on every seed: the bounds are the counts measured when the
    finder was done, so they keep it from getting worse and prove no more than that.

    A loud word is judged where, by the truth's levels, it is at least 4 dB above every other word of its phrase; in the
    other takes it is no louder than a word that is loud by nature.
    """
    new = {key: result for key, result in judged.items() if key[1] != "shipped"}
    words = [result for result in new.values() if result.stands_out_db >= 4]
    found = sum(bool(result.word_found) for result in words)
    phrases = sum(bool(result.phrase_found) for result in new.values())
    clean = sum(not result.wrong for result in new.values())
    for key, result in new.items():
        print(key, result)
    print(f"loud words: {found} of {len(words)} judged ({len(new) - len(words)} not judged); quiet phrases: {phrases}, "
          f"nothing else moved: {clean} of {len(new)}")  # fmt: skip
    assert len(words) >= 8
    assert found >= 7
    assert phrases >= 11
    assert clean >= 9


def test_of_a_clean_take_next_to_nothing_is_moved():
    for key in [key for key in TAKES if IN_CI or key[1] == "shipped"]:
        regions = proposed(*key, False)
        assert len(regions) <= 1 and all(abs(region.gain_db) <= 3 for region in regions), (key, regions)


def same(regions, expected, *, time_s, gain_db):
    assert len(regions) == len(expected), (regions, expected)
    for region, other in zip(regions, expected):
        assert region.start_s == pytest.approx(other.start_s, abs=time_s)
        assert region.end_s == pytest.approx(other.end_s, abs=time_s)
        assert region.gain_db == pytest.approx(other.gain_db, abs=gain_db)


@pytest.mark.parametrize("verse", VERSES)
@pytest.mark.parametrize("shift_db", [-20, -6, 12])
def test_another_recording_level_gives_the_same_regions(verse, shift_db):
    clip = take(verse, "shipped").clip
    same(propose_regions(clip.gained(shift_db)), proposed(verse, "shipped"), time_s=1e-9, gain_db=0.1001)


@pytest.mark.parametrize("verse, rate", [("first", 16_000), ("second", 22_050), ("second", 44_100), ("first", 96_000)])
def test_another_rate_gives_about_the_same_regions(verse, rate):
    samples = resample_poly(take(verse, "shipped").clip.samples, rate // 50, RATE // 50)
    # A soft syllable at a border may fall on either side of it, and takes a decibel of the gain with it.
    same(propose_regions(Clip(samples, rate)), proposed(verse, "shipped"), time_s=0.21, gain_db=1.1)


def test_two_equal_channels_give_the_regions_of_one():
    samples = take("first", "shipped").clip.samples
    stereo = Clip(np.stack([samples, samples], axis=1), RATE)
    same(propose_regions(stereo), proposed("first", "shipped"), time_s=1e-9, gain_db=1e-9)


@pytest.mark.ci
def test_a_boosted_word_of_speech_is_found_and_turned_down(tmp_path):
    """Speech by eSpeak NG, one word 8 dB up; the words are spoken one by one, so that their times are known."""
    words = "many lamps were burning slowly under seven wooden bridges near the water all winter long".split()
    parts, spans, rate = [], [], 0
    for number, word in enumerate(words):
        path = tmp_path / f"{number}.wav"
        subprocess.run([need_program("espeak-ng"), "-s", "140", "-w", str(path), word], check=True, timeout=60)
        spoken = load(path)
        rate = spoken.rate
        heard = np.flatnonzero(np.abs(spoken.samples) > 0.02 * np.abs(spoken.samples).max())
        samples = spoken.samples[heard[0] : heard[-1] + 1]
        start = sum(map(len, parts)) / rate
        parts += [samples, np.zeros(int(0.06 * rate))]
        spans.append((start, start + len(samples) / rate))
    for loud in (3, 8, 11):
        scaled = [part * (10 ** (8 / 20) if number == 2 * loud else 1) for number, part in enumerate(parts)]
        take_of_it = Clip(0.2 * np.concatenate(scaled), rate)
        before = propose_regions(Clip(0.2 * np.concatenate(parts), rate))
        regions = propose_regions(take_of_it)
        assert share_moved(regions, *spans[loud], -1) >= 0.7, words[loud]
        assert share_moved(before, *spans[loud], -1) < 0.3


@pytest.mark.ci
def test_a_compressor_after_it_has_less_to_do():
    """The goal of lesson 02, in numbers: the reduction is more even on every take (95th percentile minus median), and
    its maximum falls on average. Where the maximum stays it is the knock of a hard onset, or a loud word that was
    missed; in one take it rises, since a phrase that was raised starts with such a knock.
    """
    compressor = Compressor(threshold_db=-18, ratio=3, attack_ms=1, release_ms=80)
    falls = []
    for key in TAKES:
        clip = take(*key).clip
        active = active_mask(clip)
        before = reduction_stats(compressor.apply(clip).reduction_db, active)
        after = reduction_stats(compressor.apply(ClipGain(proposed(*key)).apply(clip)).reduction_db, active)
        spreads = before.p95_db - before.median_db, after.p95_db - after.median_db
        print(
            key, f"maximum {before.max_db:.1f} → {after.max_db:.1f} dB, spread {spreads[0]:.2f} → {spreads[1]:.2f} dB"
        )
        assert spreads[1] < spreads[0], key
        falls.append(before.max_db - after.max_db)
    assert np.mean(falls) > 0.3
    assert np.mean(np.array(falls) > -0.1) > 0.9


def test_a_region_as_short_as_a_knock_takes_it_down_and_the_next_hard_start_is_the_deepest():
    """What lesson 02 has its students try: the times are those that it gives for the workbook's take."""
    compressor = Compressor(threshold_db=-20, ratio=3, attack_ms=1, release_ms=80)
    for name, start_s, end_s in (("lesson_verse_faulty", 12.62, 12.67), ("second_verse_faulty", 11.18, 11.23)):
        clip = shipped(name).clip
        levelled = ClipGain(propose_regions(clip))
        before, after = (
            compressor.apply(gains.apply(clip)).reduction_db
            for gains in (levelled, levelled.with_region(GainRegion(start_s, end_s, -6)))
        )
        there = slice(int((start_s - 0.05) * clip.rate), int((end_s + 0.15) * clip.rate))
        assert before.argmax() in range(there.start, there.stop)
        assert after[there].max() < before.max() - 2.5
        assert before.max() - 1.5 < after.max() < before.max() and abs(after.argmax() / clip.rate - start_s) > 1
        if name == "lesson_verse_faulty":
            assert (before.max(), after[there].max()) == pytest.approx((7.3, 3.8), abs=0.06)
