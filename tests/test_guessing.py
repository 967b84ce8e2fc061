"""The guessing game: quiet, honest about what it measured, and right about how far off one was."""

from __future__ import annotations

import math

import numpy as np
import pytest
from conftest import one_sentence, rms_db

from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.lessons.guessing import GAP_S, STRETCH_S, GuessLevels
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import sample_peak_dbfs

RATE = 16_000


@pytest.fixture(scope="module")
def take():
    """Three seconds of "singing", a pause, and three seconds twice as loud."""
    t = np.arange(3 * RATE) / RATE
    word = 0.2 * np.sin(2 * np.pi * 220 * t) * (0.6 + 0.4 * np.sin(2 * np.pi * 3 * t))
    return Clip(np.concatenate([np.zeros(RATE), word, np.zeros(RATE), 2 * word]), RATE)


def halves(clip):
    """The known stretch and the hidden one of what was dealt."""
    return clip.cut(0, STRETCH_S), clip.cut(STRETCH_S + GAP_S, clip.duration_s)


def test_a_round_is_the_known_stretch_then_one_of_the_take_turned_down(take, capsys):
    game = GuessLevels(take, seed=4)
    known, _ = halves(game.deal())
    assert f"peak {sample_peak_dbfs(known):.1f}".replace("-", "−") in capsys.readouterr().out
    for _ in range(12):
        again, hidden = halves(game.deal())
        assert again == known
        assert hidden.duration_s == pytest.approx(STRETCH_S)
        assert rms_db(hidden.samples) > -60, "a pause was dealt"
        gain = game.guess(peak_dbfs=-12).gain_db
        source = hidden.samples / 10 ** (gain / 20)
        places = np.lib.stride_tricks.sliding_window_view(take.samples, len(source))[:: RATE // 10]
        assert np.abs(places - source).max(axis=1).min() < 1e-9, "the stretch is none of the take"


def test_it_is_never_louder_than_the_take(take):
    game = GuessLevels(take, seed=1)
    for _ in range(40):
        assert np.abs(game.deal().samples).max() <= np.abs(take.samples).max()


def test_a_guess_is_held_against_what_an_independent_measurement_says(take, capsys):
    game = GuessLevels(take, seed=9)
    _, hidden = halves(game.deal())
    peak, loud = 20 * math.log10(np.abs(hidden.samples).max()), integrated_lufs(hidden)
    guess = game.guess(peak_dbfs=peak + 2.5, loudness_lufs=loud - 1.5)
    assert guess.peak_dbfs == pytest.approx(peak) and guess.loudness_lufs == pytest.approx(loud)
    assert guess.peak_error_db == pytest.approx(2.5) and guess.loudness_error_lu == pytest.approx(-1.5)
    text = capsys.readouterr().out
    assert "2.5 dB too high" in text and "1.5 LU too low" in text
    assert game.guesses == (guess,)


def test_the_tally_is_the_average(take, capsys):
    game = GuessLevels(take, seed=2)
    for off in (3.0, -1.0):
        _, hidden = halves(game.deal())
        game.guess(peak_dbfs=20 * math.log10(np.abs(hidden.samples).max()) + off)
    capsys.readouterr()
    game.summary()
    text = capsys.readouterr().out
    assert "2 rounds played" in text and "on average 2.0 dB off, overall 1.0 dB too high" in text
    assert "loudness" not in text, "loudness was not guessed"


def test_rounds_are_repeatable_by_number_and_differ_without(take):
    deals = [[GuessLevels(take, seed).deal() for _ in range(1)][0] for seed in (7, 7, 8)]
    assert deals[0] == deals[1] and deals[0] != deals[2]
    assert any(GuessLevels(take).deal() != deals[0] for _ in range(3))


def test_nothing_is_told_before_a_guess_and_one_guess_counts(take, capsys):
    game = GuessLevels(take, seed=3)
    game.deal()
    assert game.guess(None, None) is None and game.guesses == ()
    assert "No guess yet" in capsys.readouterr().out
    game.summary()
    assert "No rounds played yet" in capsys.readouterr().out
    with pytest.raises(ValueError) as caught:
        game.guess(peak_dbfs="loud")
    one_sentence(caught, "peak_dbfs: 'loud'", "-100 to 20 dBFS")
    with pytest.raises(ValueError) as caught:
        game.guess(loudness_lufs=-200)
    one_sentence(caught, "loudness_lufs: -200", "-100 to 20 LUFS")
    game.guess(-10, -20)
    with pytest.raises(ValueError) as caught:
        game.guess(-10, -20)
    one_sentence(caught, "no round is open", "deal()")


def test_takes_that_cannot_be_played_are_refused(take):
    for clip in (take.cut(1, 2), Clip(np.zeros(8 * RATE), RATE)):
        with pytest.raises(ValueError) as caught:
            GuessLevels(clip)
        one_sentence(caught, "clip: ", "2.5 s")
    with pytest.raises(ValueError) as caught:
        GuessLevels("take.wav")
    one_sentence(caught, "clip: str", "Clip")
    with pytest.raises(ValueError) as caught:
        GuessLevels(take, seed=-1)
    one_sentence(caught, "seed: -1")


def test_channels_are_kept(take):
    stereo = take.with_samples(np.column_stack([take.samples, 0.5 * take.samples]))
    assert GuessLevels(stereo, seed=1).deal().channels == 2
