"""Where notes begin, and how far they stand out: held against signals with known answers and the singers' truth."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import one_sentence, sine
from prepared import TAKES, prepared

from vocomp_lab.analysis.onsets import find_onsets, onset_to_sustain_db, recovered_percent
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.sound.audio import Clip

RATE = 48_000


def notes(starts_s, length_s=0.4, total_s=4.0, rate=RATE, jump_db=0.0, jump_ms=60.0):
    """A tone at 300 Hz from each start on, its first moments louder by so much."""
    t = np.arange(round(total_s * rate)) / rate
    gain = np.zeros(len(t))
    for start in starts_s:
        gain[(t >= start) & (t < start + length_s)] = 0.1
        gain[(t >= start) & (t < start + jump_ms / 1000)] = 0.1 * 10 ** (jump_db / 20)
    return Clip(gain * np.sin(2 * np.pi * 300 * t), rate)


@pytest.mark.parametrize("rate", [8_000, 16_000, 44_100, 48_000, 96_000])
def test_beginnings_of_tones_are_found_to_10_ms_at_any_rate(rate):
    starts = [0.5, 1.2, 2.0, 3.1]
    found = find_onsets(notes(starts, rate=rate))
    assert len(found) == 4
    assert np.abs(found - starts).max() <= 0.011


def test_a_voice_that_is_there_from_the_first_sample_begins_there():
    found = find_onsets(notes([0.0, 1.0]))
    assert found == pytest.approx([0.0, 1.0], abs=0.011)


def test_silence_and_a_steady_tone_without_a_beginning_have_none_but_the_first():
    assert len(find_onsets(Clip(np.zeros(RATE), RATE))) == 0
    assert len(find_onsets(Clip(sine(300, 3, RATE, -20), RATE))) <= 1
    assert len(onset_to_sustain_db(Clip(np.zeros(RATE), RATE), [0.1])) == 1
    assert np.isnan(onset_to_sustain_db(Clip(np.zeros(RATE), RATE), [0.1, 0.95])).all()


def test_stereo_is_heard_as_its_mean_power():
    mono = notes([0.5, 1.5], jump_db=4)
    stereo = Clip(np.column_stack([mono.samples, mono.samples]), RATE)
    assert find_onsets(stereo) == pytest.approx(find_onsets(mono))
    assert onset_to_sustain_db(stereo, [0.5]) == pytest.approx(onset_to_sustain_db(mono, [0.5]))


@pytest.mark.parametrize("jump_db", [-6.0, 0.0, 3.0, 9.0])
def test_onset_over_sustain_is_what_was_put_in(jump_db):
    clip = notes([0.5, 1.5, 2.5], jump_db=jump_db)
    assert onset_to_sustain_db(clip, [0.5, 1.5, 2.5]) == pytest.approx(jump_db, abs=0.02)
    assert onset_to_sustain_db(clip.gained(-7), [0.5]) == pytest.approx(jump_db, abs=0.02), "whatever the level"


def test_a_note_that_the_clip_cuts_off_has_no_figure():
    clip = notes([0.5, 3.9])
    figures = onset_to_sustain_db(clip, [0.5, 3.9])
    assert np.isfinite(figures[0]) and np.isnan(figures[1])
    assert onset_to_sustain_db(clip, []).shape == (0,)


def test_a_note_that_the_next_one_cuts_off_has_no_figure():
    """Its sustain would be the next note's beginning."""
    clip = notes([0.5, 1.5, 1.7, 2.5], jump_db=3)
    found = onset_to_sustain_db(clip, [2.5, 0.5, 1.5, 1.7, 1.7])
    assert found[[0, 1, 3, 4]] == pytest.approx(3, abs=0.02), "in any order, and twice the same is one note"
    assert np.isnan(found[2])
    # 60 to 120 ms after its beginning there is still the note itself, on which the louder first 60 ms stand out.
    assert onset_to_sustain_db(clip, [1.5, 1.7], (60, 120))[0] == pytest.approx(3, abs=0.02)


@pytest.mark.parametrize("sustain_ms", [(60, 120), (120, 250), (200, 350)])
def test_the_sustain_is_the_stretch_that_is_asked_for(sustain_ms):
    """A level that falls by a straight line in dB falls by its slope times the distance of the two windows."""
    t = np.arange(RATE) / RATE
    clip = Clip(0.3 * 10 ** (-6 * t / 20) * np.where(np.arange(RATE) % 2, 1.0, -1.0), RATE)
    # The loudest 10 ms are the first ones; a window's mean power lies less than 0.02 dB off that of its middle.
    apart_s = np.mean(sustain_ms) / 1000 - 0.005
    assert onset_to_sustain_db(clip, [0.0], sustain_ms) == pytest.approx(6 * apart_s, abs=0.02)


def test_what_has_been_let_go_follows_the_release_exactly():
    # Reduction jumps to 6 dB and falls with a time constant of 100 ms; the next note begins 250 ms later.
    t = np.arange(RATE) / RATE
    reduction = np.where(t >= 0.2, 6 * np.exp(-(t - 0.2) / 0.1), 0.0)
    reduction[t >= 0.45] = 6.0
    (gone,) = recovered_percent(reduction, RATE, [0.2, 0.45])
    assert gone == pytest.approx(100 * (1 - np.exp(-2.5)), abs=0.1)


def test_a_note_without_reduction_has_let_go_of_nothing():
    assert np.isnan(recovered_percent(np.zeros(RATE), RATE, [0.1, 0.5])).all()
    assert recovered_percent(np.zeros(RATE), RATE, [0.1]).shape == (0,)


@pytest.mark.parametrize("name", TAKES)
def test_the_singers_notes_are_found_and_nothing_else(name):
    """Against the truth: vowels' beginnings within 80 ms; most of the hard attacks; no breath."""
    take = prepared(name)
    found = find_onsets(take.voice)
    vowels = np.array([note["start_s"] for word in take.truth["words"] for note in word["notes"]])
    hard = np.array([word["notes"][0]["start_s"] for word in take.truth["words"] if word["hard_onset"]])
    off_s = np.abs(found[:, None] - vowels).min(axis=1)
    assert np.median(off_s) < 0.03
    assert np.mean(off_s < 0.08) >= 0.95
    assert np.mean(np.abs(hard[:, None] - found).min(axis=1) < 0.08) >= 0.85
    assert np.mean(np.abs(vowels[:, None] - found).min(axis=1) < 0.08) >= 0.7
    for start, end in take.truth["breaths"]:
        assert not ((found > start) & (found < end - 0.06)).any()


def test_a_slow_attack_lets_a_known_beginning_through():
    starts = [0.5, 1.5, 2.5]
    clip = notes(starts, length_s=0.6)
    outputs = [Compressor(-40, 4, attack_ms, 50).apply(clip).output for attack_ms in (0.5, 20, 40)]
    passed = [np.median(onset_to_sustain_db(output, starts)) for output in outputs]
    assert passed[0] < passed[1] and passed[0] < passed[2]
    # At 40 ms the first 10 ms hold 1 − e^(−1/4) of the reduction at most, the sustain nearly all of it.
    assert passed[2] > 5


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: find_onsets(notes([0.5]), rise_db=0), "rise_db"),
        (lambda: find_onsets(notes([0.5]), apart_ms=1), "apart_ms"),
        (lambda: onset_to_sustain_db(notes([0.5]), [-0.1]), "onsets_s"),
        (lambda: onset_to_sustain_db(notes([0.5]), [np.nan]), "onsets_s"),
        (lambda: onset_to_sustain_db(notes([0.5]), [0.5], (40, 120)), "sustain_ms"),
        (lambda: onset_to_sustain_db(notes([0.5]), [0.5], (120, 120)), "sustain_ms"),
        (lambda: recovered_percent(np.zeros(100), RATE, [0.0, 1.0]), "onsets_s"),
    ],
)
def test_what_cannot_be_is_refused(call, name):
    with pytest.raises(ValueError) as error:
        call()
    one_sentence(error, name)
