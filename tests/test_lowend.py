"""What is measured below the voice, against the truth of the takes and thumps put into another synthesizer's speech."""

from __future__ import annotations

import dataclasses
import functools
import subprocess
from types import SimpleNamespace

import numpy as np
import pytest
from conftest import need_program, one_sentence, rms_db, sine
from recorded import FAULTS, cases, recorded
from takes import ci_only, make_take

from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis import lowcut
from vocomp_lab.analysis.lowcut import LEFT_DB, MOST_COST_DB, fit_low_cut
from vocomp_lab.analysis.lowend import (
    Pop,
    band_level_db,
    find_pops,
    low_end_reaction,
    measure_low_end,
    reduction_around,
    reference_compressor,
    running_level_db,
    split_low_end,
)
from vocomp_lab.lessons.proposals import propose_low_cut
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.filters import HighPass
from vocomp_lab.singer.faults import Pops
from vocomp_lab.singer.song import shipped
from vocomp_lab.sound.audio import Clip, load

RATE = 48_000
QUICK, OF_CUTS = cases(2, 1), cases(8, 4)
REST, REST_OF_CUTS = ([key for key in keys if key not in QUICK] for keys in (cases(24, 12), OF_CUTS))
ON_VOICES = "takes of recorded people, spoken and sung"
# The finder was tuned on the shipped takes and on seeds 1 to 30; these are seen here only.
HELD_OUT = [(verse, seed) for verse in ("first", "second") for seed in range(301, 307)]
FEW = [(verse, seed) for verse, seed in HELD_OUT if seed < 303]
SHIPPED = ("lesson_verse_faulty", "second_verse_faulty")


def steady(clip):
    """The lesson's compressor: its threshold lies in the midst of the voice."""
    return Compressor(threshold_db=integrated_lufs(clip) - 3, ratio=3, attack_ms=10, release_ms=150)


@functools.cache
def take_of(which):
    return shipped(which) if isinstance(which, str) else make_take(*which)


@pytest.fixture(scope="module", params=[*SHIPPED, *ci_only(HELD_OUT)], ids=str)
def take(request):
    return take_of(request.param)


@pytest.fixture(scope="module", params=[*SHIPPED, *ci_only(FEW)], ids=str)
def one_of_few(request):
    return take_of(request.param)


# ------------------------------------------------------------------------------------------------------------- measures


@pytest.mark.parametrize("rate", (8_000, 44_100, 96_000))
def test_the_parts_add_up_and_a_tone_is_in_the_right_one(rate, rng):
    clip = Clip(rng.standard_normal((rate // 2, 2)), rate)
    low, rest = split_low_end(clip)
    assert np.abs(low.samples + rest.samples - clip.samples).max() < 1e-12
    for freq_hz, inside in ((40, True), (160, False)):
        low, _ = split_low_end(Clip(sine(freq_hz, 2, rate), rate))
        # A Butterworth of order 4, twice: 1/(1 + (f/80)^8).
        expected = -20 * np.log10(1 + (freq_hz / 80) ** 8)
        middle = slice(rate // 2, -rate // 2)
        assert rms_db(low.samples[middle]) + 3.01 == pytest.approx(expected, abs=0.1)
        assert (rms_db(low.samples[middle]) > -9) == inside


def test_the_running_level_is_that_of_the_window_written_out(rng):
    clip = Clip(rng.standard_normal((3_000, 2)), 8_000)
    level = running_level_db(clip, 20)
    for frame in (0, 57, 1_500, 2_999):
        part = clip.samples[max(frame - 80, 0) : frame + 81]
        assert level[frame] == pytest.approx(rms_db(part), abs=1e-6)
    assert np.all(running_level_db(Clip(np.zeros(50), 8_000)) == -200)


def test_the_bands_of_a_clip_add_up_to_its_power(rng):
    clip = Clip(0.1 * rng.standard_normal((10_000, 2)), 16_000)
    powers = [10 ** (band_level_db(clip, *band) / 10) for band in ((1, 100), (100, 3_000), (3_000, 8_000))]
    ac = clip.samples - clip.samples.mean(axis=0)
    assert 10 * np.log10(sum(powers)) == pytest.approx(rms_db(ac), abs=0.01)
    tone = Clip(sine(250, 1, RATE, -6), RATE)
    assert band_level_db(tone, 100, 300) == pytest.approx(-6 - 3.01, abs=0.01)
    assert band_level_db(tone, 300, 1_000) < -100
    assert band_level_db(Clip(np.zeros(100), RATE), 100, 300) == -np.inf


@pytest.mark.parametrize(
    ("call", "parts"),
    [
        (lambda c: split_low_end(c, 10), ("freq_hz: 10", "20 to 300 Hz")),
        (lambda c: running_level_db(c, 0), ("window_ms: 0", "1 to 1000 ms")),
        (lambda c: band_level_db(c, 300, 200), ("high_hz: 200", "300")),
        (lambda c: low_end_reaction(steady(c), c, c.cut(0, 0.5)), ("recorded", "24000 frames", "48000")),
    ],
    ids=("border", "window", "band", "lengths"),
)
def test_what_cannot_be_measured_is_refused(call, parts):
    with pytest.raises(ValueError) as caught:
        call(Clip(sine(200, 1, RATE, -20), RATE))
    one_sentence(caught, *parts)


# ----------------------------------------------------------------------------------------------------------------- pops


def test_every_pop_is_found_and_nothing_else(take):
    truth = take.truth["faults"]["pops"]["times_s"]
    found = [pop.time_s for pop in find_pops(take.clip)]
    assert len(found) == len(truth)
    assert np.abs(np.array(found) - truth).max() < 0.06


@pytest.mark.parametrize("name", ("lesson_verse_clean", "second_verse_clean"))
def test_clean_takes_do_not_pop(name):
    assert find_pops(shipped(name).clip) == []


@pytest.mark.parametrize(
    "samples",
    [np.zeros(RATE), np.zeros(1), sine(55, 3, RATE, -12), sine(100, 1, RATE, -12), np.full(100, 0.1)],
    ids=("silence", "frame", "bass note", "note", "short"),
)
def test_a_note_is_no_pop(samples):
    assert find_pops(Clip(samples, RATE)) == []


def test_pops_are_found_at_any_level_rate_and_number_of_channels():
    clip = shipped("second_verse_faulty").clip
    times = [pop.time_s for pop in find_pops(clip)]
    assert np.allclose([pop.time_s for pop in find_pops(clip.gained(-25))], times)
    half = Clip(np.stack([clip.samples[::3]] * 2, axis=1), 16_000)
    assert np.allclose([pop.time_s for pop in find_pops(half)], times, atol=0.02)


# -------------------------------------------------------------------------------------------------------- the reduction


def test_the_reduction_follows_the_pops_and_after_the_filter_it_does_not(take):
    """The issue's claim, on both singers and on seeds that nothing was tuned on."""
    clip = take.clip
    compressor = steady(clip)
    before = low_end_reaction(compressor, clip)
    after = low_end_reaction(compressor, HighPass(90, 3).apply(clip), clip)
    timid = low_end_reaction(compressor, HighPass(25, 3).apply(clip), clip)
    print(
        f"correlation {before.correlation:.2f} -> {after.correlation:.2f} (cut at 25 Hz: {timid.correlation:.2f}); "
        f"extra at most {before.largest_db:.1f} -> {after.largest_db:.1f} dB"
    )
    assert before.correlation > 0.45 and before.largest_db > 1.2
    assert timid.correlation > 0.3, "a filter that leaves the pops must not pass"
    assert abs(after.correlation) < 0.1 and after.largest_db < 0.5
    assert len(before.extra_db) == len(find_pops(clip))


def test_a_side_chain_cut_stops_the_following_and_leaves_the_low_end(one_of_few):
    clip = one_of_few.clip
    deaf = dataclasses.replace(steady(clip), sidechain_highpass_hz=100)
    reaction = low_end_reaction(deaf, clip)
    assert abs(reaction.correlation) < 0.2 and reaction.largest_db < 0.6
    filtered = steady(clip).apply(HighPass(90, 3).apply(clip)).output
    of_clip, of_deaf, of_filtered = (band_level_db(one, 20, 80) for one in (clip, deaf.apply(clip).output, filtered))
    assert of_deaf - of_clip > -3 and of_filtered - of_clip < -12


def test_filtering_last_leaves_dents_in_the_words(one_of_few):
    """The voice behind the pops is softer where the filter comes last, and elsewhere it is not."""
    clip, cut = one_of_few.clip, HighPass(90, 3)
    compressor, pops = steady(clip), find_pops(clip)
    dent_db = running_level_db(cut.apply(compressor.apply(clip).output)) - running_level_db(
        compressor.apply(cut.apply(clip)).output
    )
    parts = [dent_db[int(pop.time_s * RATE) : int((pop.time_s + 0.25) * RATE)].min() for pop in pops]
    words = np.concatenate(
        [np.arange(int(w["start_s"] * RATE), int(w["end_s"] * RATE)) for w in one_of_few.truth["words"]]
    )
    assert min(parts) < -1.0
    assert abs(np.median(dent_db[words])) < 0.3


SPEECH = (
    "Pack the paper in the box before you go. The ferry left at seven, and nobody waved. We heard it pass the pier, and "
    "then the harbour was quiet. Put a penny on the table, bring back a pair of boots, and buy me a bag of plums."
)


@pytest.mark.parametrize("voice", ("en", "en+f2"))
def test_it_holds_for_speech_of_another_synthesizer_with_pops_put_in(tmp_path, voice):
    path = tmp_path / "speech.wav"
    subprocess.run(
        [need_program("espeak-ng"), "-v", voice, "-s", "130", "-w", str(path), SPEECH], check=True, timeout=60
    )
    speech = load(path)
    speech = speech.gained(-22 - integrated_lufs(speech))
    assert find_pops(speech) == []
    # At moments at which the speech has only just begun after a pause, as it is with a p.
    level_db = running_level_db(speech, 60)
    rising = np.flatnonzero((level_db[1:] > -40) & (level_db[:-1] <= -40)) / speech.rate
    times = rising[np.diff(rising, prepend=-1) > 0.6][:6]
    assert len(times) >= 4
    freqs, peaks = np.linspace(34, 56, len(times)), np.linspace(-16, -20, len(times))
    popped = Pops(tuple(times), tuple(freqs), tuple(peaks)).apply(speech)
    found = np.array([pop.time_s for pop in find_pops(popped)])
    assert np.sum(np.abs(found[:, None] - times) < 0.09) >= len(times) - 1
    compressor = steady(speech)
    before = low_end_reaction(compressor, popped)
    after = low_end_reaction(compressor, HighPass(80, 4).apply(popped), popped)
    print(
        f"{voice}: correlation {before.correlation:.2f} -> {after.correlation:.2f}; extra {before.largest_db:.1f} -> {after.largest_db:.1f} dB"
    )
    assert before.correlation > 0.45 and before.largest_db > 2
    assert abs(after.correlation) < 0.15 and after.largest_db < 1.0


def test_without_pops_or_sound_there_is_nothing_to_follow():
    for samples in (np.zeros(RATE), np.zeros(1), sine(200, 1, RATE, -12)):
        reaction = low_end_reaction(Compressor(-20, 3, 10, 150), Clip(samples, RATE))
        assert abs(reaction.correlation) < 1e-9 and reaction.largest_db == 0
    reaction = low_end_reaction(
        Compressor(-20, 3, 10, 150), Clip(np.zeros(RATE), RATE), pops=[Pop(0.99, -20.0), Pop(5.0, -20.0)]
    )
    assert reaction.extra_db == (0.0, 0.0)


# ------------------------------------------------------------------------------------------------------ recorded people


def most_around(change_db, time_s, rate) -> float:
    return float(np.max(change_db[max(int((time_s - 0.1) * rate), 0) : int((time_s + 0.25) * rate)]))


@functools.cache
def judged(key) -> SimpleNamespace:
    """All that is asked of a recorded take: one after the other, each of them would have to be made and searched anew."""
    popped, clean = recorded(*key, FAULTS), recorded(*key, ()).clip
    return SimpleNamespace(
        found=planted_that_move(popped, recorded(*key, tuple(fault for fault in FAULTS if fault != "pops")).clip),
        clean=says_no_pop_that_is_none(clean),
        cuts=[passes_the_lesson(clip) for clip in (popped.clip, clean) if key in OF_CUTS],
    )


def planted_that_move(popped, without) -> list[bool]:
    """For every planted pop that adds over 1 dB to the reduction, by the take without the pops: whether it is found."""
    compressor = steady(popped.clip)
    extra_db = compressor.apply(popped.clip).reduction_db - compressor.apply(without).reduction_db
    found = np.array([pop.time_s for pop in find_pops(popped.clip)] or [np.inf])
    moving = [time for time in popped.pops_s if most_around(extra_db, time, popped.clip.rate) > 1]
    return [bool(np.abs(found - time - 0.03).min() < 0.09) for time in moving]


def says_no_pop_that_is_none(clip) -> bool:
    """No pop in a clean take, unless what lies below 55 Hz, where nobody's voice is, moves the compressor by 1 dB."""
    pops = find_pops(clip)
    if not pops:
        return True
    compressor, (_, rest) = steady(clip), split_low_end(clip, 55)
    extra_db = compressor.apply(clip).reduction_db - compressor.apply(rest).reduction_db
    return max(most_around(extra_db, pop.time_s, clip.rate) for pop in pops) >= 1


def passes_the_lesson(clip) -> bool:
    """The self-check of lesson 03, with the proposed cut; where nothing is proposed, nothing may be there to cut."""
    cut, pops = propose_low_cut(clip).processor, find_pops(clip)
    if cut is None:
        return not pops and not measure_low_end(clip).rumbles
    result = cut.apply(clip)
    thinner_db = band_level_db(result, 100, 300) - band_level_db(clip, 100, 300)
    return low_end_reaction(steady(clip), result, clip, pops).largest_db <= LEFT_DB and thinner_db >= -0.5


@pytest.mark.parametrize("keys", [QUICK, *ci_only([REST])], ids=lambda keys: f"{len(keys)}")
def test_planted_pops_that_move_a_compressor_are_found_in_recorded_voices(keys, count):
    hits = [hit for key in keys for hit in judged(key).found]
    count("pops that add over 1 dB of reduction are found", ON_VOICES, hits, 0.95)


@pytest.mark.parametrize("keys", [QUICK, *ci_only([REST])], ids=lambda keys: f"{len(keys)}")
def test_clean_recorded_voices_do_not_pop(keys, count):
    hits = [judged(key).clean for key in keys]
    count("clean takes do not pop, unless a thump below 55 Hz does move a compressor", ON_VOICES, hits, 0.9)


@pytest.mark.parametrize("keys", [QUICK, *ci_only([REST_OF_CUTS])], ids=lambda keys: f"{len(keys)}")
def test_the_proposed_cut_passes_the_lesson_on_recorded_voices(keys, count):
    hits = [hit for key in keys for hit in judged(key).cuts]
    count("the proposed low cut passes the check of lesson 03", ON_VOICES, hits, 0.9)


def test_the_proposed_cut_passes_the_lesson_on_the_synthetic_singers(one_of_few):
    assert passes_the_lesson(one_of_few.clip)


@pytest.mark.parametrize("name", ("lesson_verse_clean", "second_verse_clean"))
def test_no_cut_is_proposed_where_nothing_is_to_cut(name):
    clip = shipped(name).clip
    assert fit_low_cut(clip) is None and propose_low_cut(clip).processor is None
    assert fit_low_cut(Clip(np.zeros(RATE), RATE)) is None


# -------------------------------------------------------------------------------------------------------------- the cut


def hum_and_thumps(note_hz, pop_hz, seconds=8.0):
    """A voice of one low note, sung four times, with a thump before each."""
    times = np.arange(int(seconds * RATE)) / RATE
    sung = (times % 2 > 0.5) & (times % 2 < 1.5)
    voice = sum(np.sin(2 * np.pi * note_hz * k * times) / k for k in range(1, 15)) * sung * 0.1
    starts = tuple(np.arange(0.45, seconds, 2.0))
    noise = 1e-4 * np.random.default_rng(7).standard_normal(len(times))
    return Pops(starts, (pop_hz,) * len(starts), (-9.0,) * len(starts)).apply(Clip(voice + noise, RATE))


def test_a_cut_is_no_higher_than_it_must_be():
    """The corner below, at the same slope, leaves more at the pops, or rumble."""
    clip = shipped("second_verse_faulty").clip
    fitted = fit_low_cut(clip)
    lower = dataclasses.replace(fitted.processor, freq_hz=fitted.processor.freq_hz - 5)
    left_db = low_end_reaction(steady(clip), lower.apply(clip), clip).largest_db
    rumble_db = measure_low_end(lower.apply(clip)).steady_db
    assert left_db > LEFT_DB - 0.1 or rumble_db > -46
    assert fitted.extra_db[1] <= LEFT_DB < fitted.extra_db[0] and fitted.enough


def test_a_pop_near_a_low_note_costs_more_and_where_that_is_too_much_the_reason_says_so(monkeypatch):
    near, far = hum_and_thumps(66, 60), hum_and_thumps(160, 45)
    tight, easy = fit_low_cut(near), fit_low_cut(far)
    assert easy.enough and easy.cost_db < 0.5 and easy.extra_db[0] > 2
    assert tight.enough and 1 < tight.cost_db <= MOST_COST_DB and tight.extra_db[1] < 0.5 < tight.extra_db[0]
    by_hand = "turn down by hand the pops that are left"
    assert by_hand not in propose_low_cut(near).reason
    monkeypatch.setattr(lowcut, "MOST_COST_DB", 0.8)
    monkeypatch.setattr(lowcut, "CHEAP_DB", 0.8)
    bounded = fit_low_cut(near)
    assert bounded.cost_db <= 0.8 and not bounded.enough and by_hand in propose_low_cut(near).reason


def test_the_low_end_of_a_deep_voice_stops_below_its_notes():
    """Bass notes of 78 Hz that start like a thump are no thumps, and stay in what counts as the voice."""
    times = np.arange(6 * RATE) / RATE
    notes = np.sin(2 * np.pi * 78 * times) * 0.2 + sum(np.sin(2 * np.pi * 78 * k * times) for k in (2, 3, 4)) * 0.05
    clip = Clip(notes * (times % 1.0 < 0.6), RATE)
    assert measure_low_end(clip).border_hz == pytest.approx(0.85 * 78, abs=1)
    assert find_pops(clip) == []


def test_the_reduction_around_places_is_that_of_the_whole_clip(one_of_few):
    clip = one_of_few.clip
    places, compressor = [pop.time_s for pop in find_pops(clip)], reference_compressor(clip)
    whole_db = compressor.apply(clip).reduction_db
    for place, part_db in zip(places, reduction_around(compressor, clip, places)):
        start = max(int((place - 0.1) * clip.rate), 0)
        assert np.abs(part_db - whole_db[start : start + len(part_db)]).max() < 0.1
