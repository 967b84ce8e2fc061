"""The reverb by its definition, and what a compressor does to it: on noise with a known answer, and on the takes."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from conftest import one_sentence
from prepared import TAKES, prepared, steady
from takes import ci_only

from vocomp_lab import Clip, Compressor, shipped
from vocomp_lab.analysis.sends import compare_sends
from vocomp_lab.analysis.reverb import reverb
from vocomp_lab.sound.levels import power_to_db

RATE = 16_000


def test_the_reverb_dies_away_by_sixty_decibels_in_its_decay_time():
    """By Schroeder's backward integral (J. Acoust. Soc. Am. 37, 1965), fitted from −5 to −35 dB (ISO 3382; memory)."""
    for decay_s in (0.4, 1.5, 3.0):
        click = np.zeros(int((decay_s + 0.2) * RATE))
        click[0] = 1.0
        tail = reverb(Clip(click, RATE), decay_s).samples
        left_db = power_to_db(np.cumsum(tail[::-1] ** 2)[::-1] + 1e-30)
        t, fitted = np.arange(len(click)) / RATE, (left_db < -5) & (left_db > -35)
        slope = np.polyfit(t[fitted], left_db[fitted], 1)[0]
        assert -60 / slope == pytest.approx(decay_s, rel=0.05)
        assert np.abs(tail[round(decay_s * RATE) :]).max() < 1e-12


def test_the_reverb_is_linear_repeats_itself_and_keeps_a_noise_at_its_level():
    noise = 0.1 * np.random.default_rng(2).standard_normal((6 * RATE, 2))
    clip = Clip(noise, RATE)
    wet = reverb(clip, 0.8)
    assert np.array_equal(wet.samples, reverb(clip, 0.8).samples)
    assert not np.allclose(wet.samples, reverb(clip, 0.8, seed=2).samples)
    assert wet.samples.shape == noise.shape and not np.allclose(wet.samples[:, 0], wet.samples[:, 1])
    np.testing.assert_allclose(reverb(clip.gained(6), 0.8).samples, wet.gained(6).samples, atol=1e-12)
    settled = slice(RATE, None)
    assert power_to_db(np.mean(wet.samples[settled] ** 2)) == pytest.approx(-20, abs=0.5)
    for make, words in (
        (lambda: reverb(clip, 0), ("decay_s", "0")),
        (lambda: reverb(clip, 1, seed=-1), ("seed", "-1")),
        (
            lambda: compare_sends(Clip(np.zeros(RATE), RATE), Compressor(-20, 3, 5, 80)),
            ("voice", "nobody seems to sing"),
        ),
    ):
        one_sentence(pytest.raises(ValueError, make), *words)


def test_a_compressor_at_rest_leaves_all_orders_alike():
    voice = shipped("lesson_verse_clean").clip.cut(0, 8)
    sends = compare_sends(voice, Compressor(0, 4, 5, 100), 1.0)
    for send in sends.values():
        np.testing.assert_allclose(send.output.samples, sends["no compressor"].output.samples, atol=1e-9)


@pytest.mark.parametrize("name", [TAKES[0], *ci_only(TAKES[1:])])
def test_what_the_lesson_says_about_the_three_orders(name):
    voice, lifts = prepared(name).voice, []
    for lower_db in (0, 10):
        processor = steady(voice)
        processor = dataclasses.replace(processor, threshold_db=processor.threshold_db - lower_db)
        sends = compare_sends(voice, processor)
        none, first, last, both = (
            sends[order]
            for order in ("no compressor", "compressor, then send", "send, then compressor", "compressor over both")
        )
        print(name, lower_db, *(f"{send.spread_db:.1f} {send.in_pauses_db:.1f}" for send in sends.values()))
        assert first.spread_db < none.spread_db - 0.5, "an evener feed"
        assert last.spread_db == pytest.approx(none.spread_db), "the reverb is the uncompressed vocal's"
        # Nothing is asked of the reverb but its course: under the singing it is equally far down in each.
        lifts.append(both.in_pauses_db - max(first.in_pauses_db, last.in_pauses_db))
    assert 1 < lifts[0] < 2.5 < lifts[1] < 5.5, lifts
