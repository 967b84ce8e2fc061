"""Over-compression by numbers: each fault is told on both singers and on takes that the limits were not chosen on."""

from __future__ import annotations

import math

import numpy as np
import pytest
from conftest import one_sentence
from scipy.signal import butter, sosfilt
from takes import ci_only, make_take

from vocomp_lab import Chain, Clip, Compressor, DeEsser, HighPass, shipped
from vocomp_lab.analysis.diagnosis import SIGNS, compressed_part, diagnose, findings, measure_compression  # fmt: skip
from vocomp_lab.bench.gallery import GalleryBench
from vocomp_lab.lessons.gallery import FAULTS, FaultGallery, make_faulty, well_set
from vocomp_lab.lessons.proposals import propose_stage

TAKES = ["second_verse_faulty", "first 501", "second 501"]
"""The first singer's shipped take hangs in the gallery."""
_RATE = 48_000


def prepared(clip):
    """Level prep and filters, as proposed: what the compressors get."""
    for stage in ("level prep", "low cut", "boxiness", "sibilance"):
        processor = propose_stage(stage, clip).processor
        clip = clip if processor is None else Chain([(stage, processor)]).apply(clip).output
    return clip


@pytest.fixture(scope="module", params=ci_only(TAKES))  # the gallery's tests try the same on eight seconds
def voice(request):
    name = request.param
    if name == TAKES[0]:
        return prepared(shipped(name).clip)
    verse, seed = name.split()
    return prepared(make_take(verse, int(seed)).clip)


def test_each_fault_comes_first_among_the_findings_and_a_well_set_chain_stays_far_from_every_limit(voice):
    right = well_set(voice)
    for fault in FAULTS:
        result = make_faulty(voice, fault, right)
        found = diagnose(voice, result.output, result.reduction_db)
        told = [(finding.name, round(finding.weight, 2)) for finding in found]
        print(f"{fault:<10} {told}")
        if fault == "nothing":
            assert found == []
        else:
            assert found and found[0].name == fault, f"{fault}: {told}"
            assert found[0].weight > 1.1, "with some room"
        assert all(finding.weight >= 1 for finding in found)
    result = right.apply(voice)
    for name, value in measure_compression(voice, result.output, result.reduction_db).values.items():
        limit = SIGNS[name].limit
        assert (value > 0.7 * limit) if limit < 0 else (value < 0.7 * limit), f"too near to its limit: {name}, {value}"


@pytest.fixture(scope="module")
def raw():
    return shipped("lesson_verse_clean").clip


def test_gain_alone_is_only_a_loudness_change(raw):
    numbers = measure_compression(raw, raw.gained(-4), np.zeros(raw.frames))
    assert numbers.values["make-up"] == pytest.approx(-4, abs=0.05)
    assert [finding.name for finding in findings(numbers)] == ["make-up"]
    for name in set(SIGNS) - {"make-up"}:
        assert numbers.values[name] == pytest.approx(0, abs=0.02), name
    assert diagnose(raw, raw, np.zeros(raw.frames)) == []


def test_the_gain_ripple_of_a_known_reduction(raw):
    """A reduction that swings by 2 dB peak to peak at 150 Hz ripples by 2 dB; at 4 Hz it only moves."""
    t = np.arange(raw.frames) / raw.rate
    for freq_hz, expected in ((150, 2.0), (4, 0.0)):
        reduction = 3 + np.sin(2 * np.pi * freq_hz * t)
        assert measure_compression(raw, raw, reduction).values["release"] == pytest.approx(expected, abs=0.05)


def test_the_lift_of_s_sounds_of_a_known_shelf():
    """Vowels at 300 Hz, s sounds at 8 kHz and above, and a gain of 6 dB on everything over 5 kHz."""
    t = np.arange(8 * _RATE) / _RATE
    hiss = np.random.default_rng(4).standard_normal(len(t))
    hiss = 0.1 * sosfilt(butter(8, 7_500, "highpass", fs=_RATE, output="sos"), hiss)
    vowel = 0.2 * sum(np.sin(2 * np.pi * 300 * k * t) / k for k in range(1, 6))
    is_s = t % 1 > 0.8
    before = Clip(np.where(is_s, hiss, vowel) * (t % 4 < 3.5), _RATE)
    after = before.with_samples(before.samples * np.where(is_s, 2.0, 1.0))
    lift = measure_compression(before, after).values["sibilance"]
    assert lift == pytest.approx(6.02, abs=0.2)


def test_without_a_reduction_the_rest_is_told(raw):
    numbers = measure_compression(raw, raw.gained(3))
    assert all(math.isnan(numbers.values[name]) for name in ("reduction", "release", "gain movement"))
    assert [finding.name for finding in findings(numbers)] == ["make-up"]
    assert "–" in str(numbers)


@pytest.mark.parametrize(
    "clip",
    [
        Clip(np.zeros(_RATE), _RATE),
        Clip(np.full(400, 0.1), 8_000),
        Clip(np.random.default_rng(1).standard_normal((16_000, 2)) / 9, 16_000),
    ],
)
def test_silence_short_clips_and_low_rates_are_legal(clip):
    result = Compressor(-30, 4, 1, 80).apply(clip)
    numbers = measure_compression(clip, result.output, result.reduction_db)
    found = diagnose(clip, result.output, result.reduction_db)
    assert found == findings(numbers)
    assert all(math.isfinite(finding.value) and finding.weight > 1 for finding in found)
    assert len(str(numbers).splitlines()) == len(SIGNS) + 1
    if not clip.samples.any():
        assert found == [] and all(math.isnan(value) for value in numbers.values.values())


def test_the_part_that_compresses_begins_at_the_first_compressor(raw):
    two = [("peaks", Compressor(-20, 3, 1, 80)), ("steady", Compressor(-28, 2, 10, 200))]
    chain = Chain([("low cut", HighPass(90, 3)), ("sibilance", DeEsser()), *two])
    result = chain.apply(raw)
    before, after, reduction_db = compressed_part(result)
    assert before is result.stages["peaks"].source and after is result.output
    expected = result.stages["peaks"].reduction_db + result.stages["steady"].reduction_db
    np.testing.assert_array_equal(reduction_db, expected)
    before, after, reduction_db = compressed_part(Chain(chain.stages[:2]).apply(raw))
    assert before is after and not reduction_db.any()


def test_refusals(raw):
    one_sentence(pytest.raises(ValueError, diagnose, raw, raw.cut(0, 1)), "after", "frames")
    one_sentence(pytest.raises(ValueError, diagnose, raw, raw, np.zeros(3)), "reduction_db", "(3,)")
    one_sentence(pytest.raises(ValueError, diagnose, raw, None), "after", "None")
    one_sentence(pytest.raises(ValueError, make_faulty, raw, "too loud"), "fault", "too loud")


# ---------------------------------------------------------------------------------------------------------- gallery


@pytest.fixture(scope="module")
def gallery():
    return FaultGallery(prepared(shipped("lesson_verse_faulty").clip).cut(0, 8), seed=1)


def test_the_gallery_hangs_every_fault_once_in_an_order_of_its_seed(gallery):
    assert sorted(gallery._faults) == sorted(FAULTS) and len(gallery.clips) == len(FAULTS)
    numbers = repr(gallery.table())
    assert not any(fault in numbers for fault in ("onsets", "make-up", "sibilance", "nothing")) and " *" in numbers
    gallery.guess({number: None for number in range(1, 8)})
    one_sentence(pytest.raises(ValueError, gallery.reveal), "guesses", "at least one number")
    gallery.guess({1: gallery._faults[0], 2: "nothing" if gallery._faults[1] != "nothing" else "noise", 3: "noise"})
    gallery.guess({3: None})
    told = gallery.reveal()
    assert "1 of 2 right" in told.head[2]
    assert all(
        row[:2] == (str(number), f"{fault}: {FAULTS[fault].words}")
        for number, (row, fault) in enumerate(zip(told.rows, gallery._faults), start=1)
    )
    assert told.rows[0][2].endswith("✓") and told.rows[1][2].endswith("✗") and told.rows[2][2] == "no guess"
    one_sentence(pytest.raises(ValueError, gallery.guess, {9: "noise"}), "number", "9")
    one_sentence(pytest.raises(ValueError, gallery.guess, {1: "loud"}), "guesses", "loud")


def test_in_the_gallery_too_the_first_number_beyond_its_limit_is_the_fault(gallery):
    for number, fault in enumerate(gallery._faults, start=1):
        found = findings(gallery.numbers(number))
        assert (found[0].name if found else "nothing") == fault


def test_the_page_of_the_gallery_names_no_fault(gallery):
    bench = GalleryBench(gallery)
    assert not any(fault in bench._player.state_text for fault in FAULTS)
    assert len(bench._player.sounds) == 8


def test_the_page_of_the_gallery_takes_guesses_and_names_nothing_before_one(gallery):
    gallery.guess({number: None for number in range(1, 8)})
    bench = GalleryBench(gallery)
    menus, (numbers, names) = (box.children for box in bench.widget.children[-3:-1])
    names.click()
    assert "at least one number" in bench._told.value and 'role="alert"' in bench._told.value
    numbers.click()
    assert "gain ripple (dB)" in bench._told.value and not any(
        fault.words in bench._told.value for fault in FAULTS.values()
    )
    menus[0].value = gallery._faults[0]
    names.click()
    assert "1 of 1 right" in bench._told.value and all(fault.words in bench._told.value for fault in FAULTS.values())
    menus[0].index = 0  # as the page sets it
    assert menus[0].label == "?"
    names.click()
    assert "at least one number" in bench._told.value
    one_sentence(pytest.raises(ValueError, GalleryBench, 3), "gallery")
