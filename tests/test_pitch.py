"""The pitch track against pure tones, the synthetic singers' scores, and a speech synthesizer's own pitch."""

from __future__ import annotations

import subprocess

import numpy as np
import pytest
from conftest import need_program, one_sentence, sine
from takes import make_take

from vocomp_lab.analysis.pitch import pitch_range, pitch_track
from vocomp_lab.singer.song import shipped
from vocomp_lab.sound.audio import Clip, load


def cents(pitch_hz, reference_hz):
    return 1200 * np.log2(np.asarray(pitch_hz) / reference_hz)


@pytest.mark.parametrize("rate", (8_000, 16_000, 44_100, 96_000))
@pytest.mark.parametrize("freq_hz", (65.0, 110.0, 220.0, 440.0, 880.0))
def test_a_tone_has_its_own_pitch(freq_hz, rate):
    track = pitch_track(Clip(sine(freq_hz, 0.5, rate, -10), rate))
    assert len(track.times_s) > 30 and np.isfinite(track.pitch_hz).all()
    assert np.abs(cents(track.pitch_hz, freq_hz)).max() < 5
    steps = np.diff(track.times_s)
    assert steps == pytest.approx(np.full(len(steps), 0.01), abs=1e-4)


def test_a_glide_is_followed_at_the_right_time():
    rate = 48_000
    t = np.arange(2 * rate) / rate
    track = pitch_track(Clip(0.3 * np.sin(2 * np.pi * 150 * (2 ** (t / 2) - 1) * 2 / np.log(2)), rate))
    assert np.abs(cents(track.pitch_hz, 150 * 2 ** (track.times_s / 2))).max() < 15


@pytest.mark.parametrize("shape", ("harmonics without the first", "square", "with noise 20 dB below"))
def test_the_period_counts_and_not_the_strongest_line(shape, rng):
    rate, freq = 48_000, 147.0
    phase = 2 * np.pi * freq * np.arange(rate) / rate
    wave = {
        "harmonics without the first": np.sin(2 * phase) + np.sin(3 * phase) + 0.5 * np.sin(4 * phase),
        "square": np.sign(np.sin(phase)),
        "with noise 20 dB below": np.sin(phase) + 0.07 * rng.standard_normal(rate),
    }[shape]
    track = pitch_track(Clip(0.1 * wave, rate))
    assert np.isfinite(track.pitch_hz).mean() > 0.95
    assert np.abs(cents(track.pitch_hz[np.isfinite(track.pitch_hz)], freq)).max() < 25


@pytest.mark.parametrize("name", ("lesson_verse_faulty", "second_verse_faulty", "first", "second"))
def test_held_notes_of_both_singers_have_the_pitch_of_the_score(name):
    """Rumble, hum, pops and boxiness included; a note bends in and wavers, so that its median may be half a semitone
    off."""
    take = make_take(name, 611) if name in ("first", "second") else shipped(name)
    track = pitch_track(take.clip)
    notes = [note for word in take.truth["words"] for note in word["notes"] if note["end_s"] - note["start_s"] > 0.2]
    assert len(notes) >= 10
    gross = []
    for note in notes:
        inside = (track.times_s > note["start_s"] + 0.06) & (track.times_s < note["end_s"] - 0.04)
        found = track.pitch_hz[inside]
        assert np.isfinite(found).mean() > 0.9, note
        assert abs(cents(np.nanmedian(found), note["pitch_hz"])) < 60, note
        gross += list(np.abs(cents(found[np.isfinite(found)], note["pitch_hz"])) > 300)
    print(f"{name}: {100 * np.mean(gross):.1f} % of the steps are 3 semitones off or more")
    assert np.mean(gross) < 0.03
    scored = sorted(note["pitch_hz"] for note in notes)
    found = pitch_range(take.clip)
    assert scored[0] * 0.9 < found.low_hz < scored[len(scored) // 3] * 1.05
    assert found.low_hz < found.median_hz < found.high_hz < scored[-1] * 1.1


def test_speech_of_another_synthesizer_gets_higher_with_its_pitch_setting(tmp_path):
    program = need_program("espeak-ng")
    found = []
    for setting in (20, 50, 80):
        path = tmp_path / f"{setting}.wav"
        text = "The paper boats are lying by the harbour wall, and nobody has come to count them since the winter."
        subprocess.run([program, "-p", str(setting), "-w", str(path), text], check=True)
        found.append(pitch_range(load(path)))
    # A man's voice: about an octave from a low setting to a high one.
    assert 60 < found[0].median_hz < 1.3 * found[0].low_hz and found[2].median_hz < 180
    assert 1.2 < found[1].median_hz / found[0].median_hz < 1.5
    assert 1.2 < found[2].median_hz / found[1].median_hz < 1.5


def test_what_has_no_pitch_has_none(rng):
    rate = 48_000
    assert np.isnan(pitch_track(Clip(0.1 * rng.standard_normal(rate), rate)).pitch_hz).mean() > 0.99
    assert np.isnan(pitch_track(Clip(np.zeros(rate), rate)).pitch_hz).all()
    assert pitch_range(Clip(np.zeros(rate), rate)) is None
    assert pitch_range(Clip(0.1 * rng.standard_normal(rate), rate)) is None
    assert len(pitch_track(Clip(np.zeros(100), rate)).pitch_hz) == 0


def test_level_and_channels_do_not_matter():
    rate = 44_100
    tone = sine(196, 0.6, rate, -6)
    for samples in (tone * 1e-4, np.column_stack([tone, 0.5 * tone])):
        assert np.abs(cents(pitch_track(Clip(samples, rate)).pitch_hz, 196)).max() < 5


@pytest.mark.parametrize(
    ("settings", "field"),
    [
        ({"low_hz": 5}, "low_hz"),
        ({"low_hz": 300, "high_hz": 200}, "high_hz"),
        ({"threshold": 0}, "threshold"),
        ({"step_ms": 0}, "step_ms"),
    ],
)
def test_settings_out_of_range_are_refused(settings, field):
    with pytest.raises(ValueError, match=f"^{field}:") as error:
        pitch_track(Clip(np.zeros(48_000), 48_000), **settings)
    one_sentence(error)
