"""The vocal against the backing: on tones whose loudness the standard gives, and on the workbook's song."""

from __future__ import annotations

import io
import json

import numpy as np
import pytest
import soundfile
from conftest import one_sentence, sine
from takes import ci_only

from vocomp_lab import Clip, active_mask, integrated_lufs, shipped
from vocomp_lab.analysis.mix import KINDS, RANGES, balance, presence, vocal_over_backing
from vocomp_lab.bench import mix as mix_module
from vocomp_lab.bench.mix import MixBench
from vocomp_lab.lessons.course import begin

RATE = 16_000


def tone(level_dbfs, seconds=20.0, channels=2):
    """A 1 kHz sine: in stereo its loudness in LUFS is its peak in dBFS (EBU Tech 3341, cases 1 and 2)."""
    return Clip(np.column_stack([sine(1_000, seconds, RATE, level_dbfs)] * channels), RATE)


def stepped(*levels, seconds=10.0):
    return Clip(np.concatenate([sine(1_000, seconds, RATE, level) for level in levels]), RATE)


def always(clip):
    return np.ones(clip.frames, dtype=bool)


def test_the_anchor_reads_as_the_standard_says():
    assert integrated_lufs(tone(-23)) == pytest.approx(-23, abs=0.1)


@pytest.mark.parametrize("offset", [-6.0, 0.0, 4.5])
def test_balance_puts_the_vocal_where_it_was_asked_for(offset):
    mono = Clip(sine(1_000, 20, RATE, -30), RATE)
    mix = balance(mono, tone(-23), offset)
    assert integrated_lufs(mix.vocal) - integrated_lufs(mix.backing) == pytest.approx(offset, abs=1e-6)
    # Mono at −30 in both channels is −30 LUFS; to −23 + offset it takes 7 + offset.
    assert mix.gain_db == pytest.approx(7 + offset, abs=1e-6)
    assert mix.vocal.channels == 2 and np.array_equal(mix.vocal.columns[:, 0], mix.vocal.columns[:, 1])
    np.testing.assert_allclose(mix.output.samples, mix.vocal.samples + tone(-23).samples, atol=1e-15)


@pytest.mark.parametrize("kind", KINDS)
def test_the_difference_of_two_tones_is_that_of_their_levels(kind):
    vocal = stepped(-20, -28)
    times, difference = vocal_over_backing(vocal, tone(-23), always(vocal), kind)
    first, second = difference[(times > 3) & (times < 8)], difference[(times > 12) & (times < 18)]
    np.testing.assert_allclose(first, 3.0, atol=0.02)
    np.testing.assert_allclose(second, -5.0, atol=0.02)
    half = 1.5 if kind == "phrases" else 0.2
    assert times[~np.isnan(difference)][0] == pytest.approx(half, abs=0.02), "the middle of the first whole window"
    # The step is where it is: half-way in power at 10 s, by whichever window.
    middle = 10 * np.log10((10**0.3 + 10**-0.5) / 2)
    assert difference[np.argmin(np.abs(times - 10.0))] == pytest.approx(middle, abs=0.1)


def test_only_what_is_sung_counts_and_a_pausing_band_does_not():
    vocal = stepped(-20, -20)
    active = always(vocal)
    active[10 * RATE :] = False
    times, difference = vocal_over_backing(vocal, tone(-23), active, "words")
    assert np.isnan(difference[times > 10.1]).all() and not np.isnan(difference[(times > 1) & (times < 9.9)]).any()
    pausing = Clip(np.concatenate([tone(-23, 10).samples, np.zeros((10 * RATE, 2))]), RATE)
    times, difference = vocal_over_backing(vocal, pausing, always(vocal), "phrases")
    assert np.isnan(difference[(times > 11.6) & (times < 18)]).all()


def test_presence_counts_shares():
    difference = np.concatenate([np.full(20, -4.0), np.full(70, 0.5), np.full(10, 6.0), np.full(50, np.nan)])
    place = presence(difference, 0.0, 3.0)
    assert (place.sinks_percent, place.sticks_out_percent, place.in_place_percent) == (20, 10, 70)
    assert place.deepest_lu == 4 and "sinks in 20 %" in str(place)
    moved = presence(difference + 5, 5.0, 3.0)
    assert (moved.sinks_percent, moved.sticks_out_percent, moved.spread_lu) == (20, 10, place.spread_lu)
    assert presence(difference, 2.0, 3.0).sinks_percent == 20 and presence(difference, 4.0, 3.0).sinks_percent == 90
    uniform = presence(np.linspace(-10, 10, 20_001), 0.0, 3.0)
    assert uniform.sinks_percent == pytest.approx(35, abs=0.1) and uniform.spread_lu == pytest.approx(18, abs=0.01)
    assert np.isnan(presence([np.nan], 0.0).sinks_percent)


def test_a_range_is_measured_by_what_lies_in_it():
    """Two tones a range apart: each range sees its own, whatever the other does."""
    low, high = (np.column_stack([sine(freq, 20, RATE, -26)] * 2) for freq in (100, 1_000))
    vocal, backing = Clip(0.5 * low + high, RATE), Clip(2 * low + 0.5 * high, RATE)
    mix = balance(vocal, backing, 3.0)
    for band_hz, expected in (((50, 300), -12.04), ((500, 5_000), 6.02)):
        assert mix.balance_in(band_hz) - mix.gain_db == pytest.approx(expected, abs=0.1)
        times, difference = vocal_over_backing(mix.vocal, backing, always(vocal), "words", band_hz)
        np.testing.assert_allclose(difference[(times > 2) & (times < 19)], mix.balance_in(band_hz), atol=0.05)
    assert mix.balance_in() == 3.0
    # A track at a low rate has no 5 kHz: its own highest frequencies are taken.
    slow = Clip(sine(1_000, 20, 8_000, -20), 8_000)
    assert balance(slow, slow, 2.0).balance_in((500, 5_000)) == pytest.approx(2.0, abs=1e-6)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: balance(Clip(sine(300, 20, 8_000), 8_000), tone(-23)), ("vocal", "rate")),
        (lambda: balance(stepped(-20), tone(-23)), ("vocal", "frames")),
        (lambda: balance(Clip(np.zeros((20 * RATE, 3)) + 0.1, RATE), tone(-23)), ("vocal", "3 channels")),
        (lambda: balance(Clip(np.zeros(20 * RATE), RATE), tone(-23)), ("vocal", "silent")),
        (lambda: balance(stepped(-20, -20), Clip(np.zeros((20 * RATE, 2)), RATE)), ("backing", "silent")),
        (lambda: balance(stepped(-20, -20), tone(-23), 99), ("offset_lu", "99")),
        (lambda: balance("vocal", tone(-23)), ("vocal", "Clip")),
        (lambda: vocal_over_backing(stepped(-20, -20), tone(-23), np.ones(5, bool)), ("active", "(5,)")),
        (lambda: vocal_over_backing(stepped(-20, -20), tone(-23), always(tone(-23)), "bars"), ("kind", "bars")),
        (
            lambda: vocal_over_backing(
                stepped(-20, -20), tone(-23), always(stepped(-20, -20)), "words", band_hz=(5_000, 500)
            ),
            ("band_hz", "(5000, 500)", "lower one first"),
        ),
        (lambda: balance(stepped(-20, -20), tone(-23)).balance_in(500), ("band_hz", "500")),
        (lambda: presence([1.0], 0.0, 0.0), ("margin_lu", "0")),
    ],
)
def test_refusals(make, words):
    one_sentence(pytest.raises(ValueError, make), *words)


# ---------------------------------------------------------------------------------------------------- on the song


@pytest.mark.parametrize("name", ["lesson_verse_faulty", *ci_only(["second_verse_faulty"])])
def test_the_quiet_phrase_sinks_the_loud_word_sticks_out_and_the_chain_holds_both(name, tmp_path):
    lesson, backing = begin("08_the_vocal_in_the_mix", name, tmp_path), shipped("backing").clip
    sung, places = active_mask(lesson.clip), {}
    for label, vocal in (("before", lesson.clip), ("after", lesson.voice)):
        mix = balance(vocal, backing)
        for kind in KINDS:
            times, difference = vocal_over_backing(mix.vocal, backing, sung, kind)
            places[label, kind] = presence(difference, 0.0)
            if (label, kind) == ("before", "words"):
                quiet, loud = lesson.truth["faults"]["quiet_phrase"], lesson.truth["faults"]["loud_word"]
                in_quiet = (times > quiet["start_s"]) & (times < quiet["end_s"])
                in_loud = (times > loud["start_s"]) & (times < loud["end_s"])
                assert np.nanmedian(difference[in_quiet]) < -3 and np.nanmedian(difference[in_loud]) > 3
    print(name, *(f"{key}: {place}" for key, place in places.items()), sep="\n  ")
    for kind, before, after in (("phrases", 20, 3), ("words", 20, 8)):
        assert places["before", kind].sinks_percent > before > after > places["after", kind].sinks_percent
        assert places["after", kind].spread_lu < 0.6 * places["before", kind].spread_lu


@pytest.mark.parametrize("name", ["lesson_verse_faulty", *ci_only(["second_verse_faulty"])])
def test_a_low_tone_in_the_backing_moves_the_full_range_and_leaves_the_middle(name, tmp_path):
    """At 55 Hz it hides no word, and yet it makes the backing louder: the finished vocal "sinks" by the full range."""
    lesson, backing = begin("08_the_vocal_in_the_mix", name, tmp_path), shipped("backing").clip
    low = 10 ** (-20 / 20) * np.sin(2 * np.pi * 55 * np.arange(backing.frames) / backing.rate)
    with_tone, sung = backing.with_samples(backing.samples + low[:, None]), active_mask(lesson.clip)
    mix = balance(lesson.voice, backing, 2.0)
    for kind in KINDS:
        sinks = {}
        for measured, band_hz in RANGES.items():
            for label, under in (("as it is", backing), ("with the tone", with_tone)):
                _, difference = vocal_over_backing(mix.vocal, under, sung, kind, band_hz)
                sinks[measured, label] = presence(difference, mix.balance_in(band_hz)).sinks_percent
        print(name, kind, sinks)
        assert sinks["full range", "with the tone"] > sinks["full range", "as it is"] + 20
        assert sinks["middle", "with the tone"] == pytest.approx(sinks["middle", "as it is"], abs=0.2)


# --------------------------------------------------------------------------------------------------------- the bench


@pytest.fixture(scope="module")
def bench():
    take, backing = shipped("lesson_verse_faulty"), shipped("backing").clip
    return MixBench(take.clip, take.clip.gained(-7), backing, balance_lu=2, words=take.truth["words"])


def mixed(bench, name) -> np.ndarray:
    """What the page makes of the sent tracks, by the gains that it was told."""
    state, out = json.loads(bench._player.state_text), 0.0
    for track, gain in state["mix"]["gains"][name].items():
        samples, _ = soundfile.read(io.BytesIO(bytes(bench._player.sounds[track].value)))
        out = out + gain * state[f"{track}_scale"] * samples
    return out


def test_a_vocal_against_its_softer_self_is_the_same_in_the_mix(bench):
    before, after = (bytes(bench._player.sounds[name].value) for name in ("before", "after"))
    assert before == after, "both are brought to the same loudness"
    places = bench.places()
    assert places["before"].sinks_percent == pytest.approx(places["after"].sinks_percent)


def test_the_slider_moves_picture_and_sound_but_not_how_often_it_sinks(bench):
    picture, sound, line = bench._image.value, mixed(bench, "after"), bench._line.value
    sent = bytes(bench._player.sounds["after"].value)
    bench.balance_lu = 5.1
    assert bench.balance_lu == 5.0
    assert bench._image.value != picture and bench._line.value == line
    assert bytes(bench._player.sounds["after"].value) == sent, "only gains are told"
    rate = bench._backing.rate
    backing, voice = mixed(bench, "backing"), mixed(bench, "after") - mixed(bench, "backing")
    louder_lu = integrated_lufs(Clip(voice, rate)) - integrated_lufs(Clip(backing, rate))
    assert louder_lu == pytest.approx(5, abs=0.02) and not np.allclose(mixed(bench, "after"), sound)
    one_sentence(pytest.raises(ValueError, setattr, bench, "balance_lu", 40), "balance_lu", "40")


def test_the_menu_says_what_is_measured_and_neither_it_nor_the_slider_measures_again(bench, monkeypatch):
    for measuring in ("loudness", "limited_to", "voice_over", "balance"):
        monkeypatch.setattr(mix_module, measuring, None)
    full, picture = bench.places("words")["before"], bench._image.value
    assert str(full) in bench._line.value and "(full range)" in bench._alt()
    bench.measured = "middle"
    middle = bench.places("words", "middle")["before"]
    assert middle != full and str(middle) in bench._line.value and "(middle, 500 Hz to 5 kHz)" in bench._alt()
    assert bench._image.value != picture and "vocal over band there, as a whole" in bench._line.value
    line = bench._line.value
    bench.balance_lu = bench.balance_lu - 3
    assert bench._line.value != line, "as a whole the vocal is 3 LU further down there, too"
    bench.measured = "full range"
    assert bench.places("words")["before"] == full
    one_sentence(pytest.raises(ValueError, setattr, bench, "measured", "treble"), "measured", "'middle'")
    one_sentence(pytest.raises(ValueError, bench.places, "words", "treble"), "measured", "'middle'")


def test_nothing_is_mixed_over_full_scale(bench):
    for balance_lu in (-12, 12):
        bench.balance_lu = balance_lu
        assert max(np.abs(mixed(bench, name)).max() for name in ("before", "after", "backing")) <= 0.9
