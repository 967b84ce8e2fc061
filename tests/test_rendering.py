"""A sound in blocks: whatever the processor, and however the sound is cut, the result is that of the whole."""

from __future__ import annotations

import dataclasses
import errno
import io
import itertools
import math
import os
import tracemalloc

import numpy as np
import pytest
from conftest import one_sentence, sine
from hypothesis import example, given, settings
from hypothesis import strategies as st

from vocomp_lab.processors import blocks, recursion
from vocomp_lab.processors.blocks import ChainFlow, in_blocks, stages_that_ask, total_reduction_db
from vocomp_lab.processors.chain import PROCESSORS, Chain
from vocomp_lab.processors.character import FetCompressor, OptoCompressor, TubeCompressor, VcaCompressor
from vocomp_lab.processors.clip_gain import ClipGain, GainRegion
from vocomp_lab.processors.colour import Colour
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.deesser import DeEsser, DeEsserFlow
from vocomp_lab.processors.filters import HighPass, HighShelf, LowShelf, Peaking
from vocomp_lab.processors.flow import PIECE_FRAMES, Flow, Piece, Processor
from vocomp_lab.processors.gain import Gain
from vocomp_lab.processors.memory import Memory
from vocomp_lab.processors.rides import FaderRide, RidePoint
from vocomp_lab.singer.song import shipped
from vocomp_lab.sound.audio import Clip

RATE = 48_000
# How far the blocks may be from the whole.
SAME = 1e-9
# A stretch of the solver so short that a clip of two seconds crosses it often.
SHORT_STRETCH = 12_000

SETTINGS = {
    "regions": ClipGain([GainRegion(0, 0.2, -6), GainRegion(0.5, 0.9, 5), GainRegion(0.9, 1.2, -20)], 30),
    "no regions": ClipGain(),
    "ride": FaderRide([RidePoint(0.3, 2), RidePoint(0.9, -20), RidePoint(1.4, 12)]),
    "no ride": FaderRide(),
    "gain": Gain(-7.3),
    "high-pass": HighPass(90, 5),
    "bell": Peaking(400, -6, 4),
    "low shelf": LowShelf(200, 3),
    "high shelf": HighShelf(8_000, -4),
    "peak": Compressor(-24, 4, 1, 60),
    "soft knee": Compressor(-24, 4, 5, 200, knee_db=12, makeup_db=4),
    "limiter": Compressor(-20, math.inf, 0.01, 20, lookahead_ms=5),
    "rms": Compressor(-28, 3, 5, 100, detector="rms", rms_ms=30, mix=0.4),
    "dry": Compressor(-28, 3, 5, 100, makeup_db=3, mix=0),
    "feedback": Compressor(-24, 5, 1, 60, topology="feedback"),
    "soft feedback": Compressor(-24, 5, 1, 60, knee_db=8, topology="feedback", lookahead_ms=100),
    "decoupled": Compressor(-24, 4, 8, 300, ballistics="decoupled", sidechain_highpass_hz=150),
    "de-esser": DeEsser(),
    "de-esser, wide": DeEsser(-45, 500, 3, mode="wideband", reference="full scale"),
    "de-esser, high": DeEsser(-40, 23_900),
    "colour": Colour(12),
    "colour, uneven": Colour(6, 0.4),
    "vca": VcaCompressor(-26, mix=0.7),
    "fet": FetCompressor(-26),
    "fet, some": FetCompressor(-26, drive_db=18, makeup_db=5, mix=0.3),
    "fet, none": FetCompressor(-26, mix=0),
    "opto": OptoCompressor(-30, makeup_db=2),
    "tube": TubeCompressor(-30, drive_db=6),
    "tube, some": TubeCompressor(-30, mix=0.5),
}

CHAIN_THAT_ASKS = Chain([("low cut", SETTINGS["high-pass"]), ("hiss", DeEsser())])


@pytest.fixture(scope="module")
def voices():
    """Two seconds of a singer, mono and in stereo with two different channels, loud enough to make every stage work."""
    mono = shipped("lesson_verse_faulty").clip.cut(1.0, 3.0)
    late = np.roll(mono.samples, 5_000) * 0.6
    return {"mono": mono, "stereo": mono.with_samples(np.stack([mono.samples, late], axis=1))}


def pieces(columns, cuts):
    """A function that gives the samples in blocks, cut at these frames."""
    return lambda: np.split(columns, cuts)


def compare(chain, clip, cuts):
    """The largest difference between whole and blocks, in the output and in any reduction; and the lengths of the
    blocks that came out."""
    whole, reductions = chain.apply(clip), {}
    came = list(
        in_blocks(
            chain,
            pieces(clip.columns, cuts),
            clip.rate,
            clip.channels,
            lambda name, reduction_db: reductions.setdefault(name, []).append(reduction_db),
        )
    )
    out = np.concatenate(came)
    assert out.shape == whole.output.columns.shape
    assert set(reductions) == {name for name, stage in whole.stages.items() if stage.reduction_db is not None}
    off_db = max(
        (np.abs(np.concatenate(parts) - whole.stages[name].reduction_db).max() for name, parts in reductions.items()),
        default=0.0,
    )
    return np.abs(out - whole.output.columns).max(), off_db, [len(block) for block in came]


def every(size, frames):
    return list(range(size, frames, size))


# ------------------------------------------------------------------------------------------------------ each processor


def test_every_kind_in_a_settings_sheet_works_on_blocks():
    assert {type(processor) for processor in SETTINGS.values()} == set(PROCESSORS.values())


def test_every_processor_in_blocks_of_several_lengths(voices, monkeypatch, deviation):
    for module in (recursion, blocks):
        monkeypatch.setattr(module, "STRETCH_FRAMES", SHORT_STRETCH)
    sizes = itertools.cycle([1_000_000, 65_537, 4_801, 997])
    for name, size in zip(SETTINGS, sizes):
        for clip, length in ((voices["stereo"], size), (voices["mono"], 7_919)):
            off, off_db, _ = compare(Chain([(name, SETTINGS[name])]), clip, every(length, clip.frames))
            deviation("a file in blocks, every processor", "the same file as a whole", [off, off_db], SAME, note=name)


def test_blocks_of_a_frame_each_and_empty_ones(voices):
    clip = voices["stereo"].cut(0.5, 0.506)
    cuts = sorted([*range(1, clip.frames), 100, 100, 0, clip.frames])
    for name, processor in SETTINGS.items():
        off, off_db, _ = compare(Chain([(name, processor)]), clip, cuts)
        assert off < SAME and off_db < SAME, name


@settings(max_examples=60)
@given(name=st.sampled_from(sorted(SETTINGS)), frames=st.integers(1, 1_900), cut=st.floats(0, 1))
@example("de-esser", 1, 0)  # the mirror image beyond a sound is no longer than the sound: 9 frames for a de-esser
@example("de-esser", 9, 0.5)
@example("de-esser, high", 10, 1)
@example("colour, uneven", 80, 0)  # one margin of the curve's filters
def test_very_short_sounds(name, frames, cut):
    source = shipped("lesson_verse_faulty").clip.cut(1.0, 1.5).samples
    clip = Clip(np.stack([source, -0.6 * source[::-1]], axis=1)[10_000 : 10_000 + frames], RATE)
    off, off_db, _ = compare(Chain([("it", SETTINGS[name])]), clip, [round(cut * frames)])
    assert off < SAME and off_db < SAME


def test_a_sound_of_no_frames_gives_none():
    chain = Chain(list(SETTINGS.items()))
    assert list(in_blocks(chain, lambda: [np.zeros((0, 1))] * 2, RATE, 1)) == []


def test_a_new_processor_needs_one_flow_for_clips_and_blocks():
    class HalfFlow(Flow):
        def push(self, block, last):
            yield Piece(block / 2)

    @dataclasses.dataclass(frozen=True)
    class Half(Processor):
        FLOW = HalfFlow

    for samples in ([0.5, -1.0], [[0.5, 0.1], [-1.0, 0.2]]):
        clip = Clip(samples, RATE)
        assert np.array_equal(Half().apply(clip).samples, clip.samples / 2)
        off, _, _ = compare(Chain([("half", Half())]), clip, [1])
        assert off == 0


@pytest.mark.parametrize("rate", [8_000, 192_000])
def test_other_rates(rate, voices):
    clip = Clip(voices["mono"].samples[:20_000], rate)
    stages = [(name, processor) for name, processor in SETTINGS.items() if getattr(processor, "freq_hz", 0) < rate / 2]
    for stage in stages:
        off, off_db, _ = compare(Chain([stage]), clip, every(7_001, clip.frames))
        assert off < SAME and off_db < SAME, stage[0]


# -------------------------------------------------------------------------------------------------------------- chains


@settings(max_examples=30)
@given(
    names=st.lists(st.sampled_from(sorted(SETTINGS)), max_size=4, unique=True),
    cuts=st.lists(st.integers(0, 19_200), max_size=6).map(sorted),
    stretch=st.integers(3_000, 30_000),
)
def test_any_chain_cut_anywhere(names, cuts, stretch):
    clip = shipped("lesson_verse_faulty").clip.cut(1.5, 1.9)
    clip = clip.with_samples(np.stack([clip.samples, -0.4 * clip.samples[::-1]], axis=1))
    with pytest.MonkeyPatch.context() as patch:
        for module in (recursion, blocks):
            patch.setattr(module, "STRETCH_FRAMES", stretch)
        off, off_db, _ = compare(Chain([(name, SETTINGS[name]) for name in names]), clip, cuts)
    assert off < SAME and off_db < SAME


def test_a_long_chain_over_several_stretches_of_the_solver():
    """At the solver's real stretch: a singer for half a minute, through the whole order of work and both coloured
    models."""
    samples = np.tile(shipped("second_verse_faulty").clip.samples, 2)
    clip = Clip(samples[: recursion.STRETCH_FRAMES + 300_000], RATE)
    names = ["regions", "high-pass", "bell", "de-esser", "peak", "rms", "limiter", "fet", "opto", "tube", "high shelf"]
    off, off_db, came = compare(Chain([(name, SETTINGS[name]) for name in names]), clip, every(50_021, clip.frames))
    assert off < SAME and off_db < SAME
    assert max(came) <= PIECE_FRAMES


def test_the_reductions_of_a_chain_add_up(voices, monkeypatch):
    for module in (recursion, blocks):
        monkeypatch.setattr(module, "STRETCH_FRAMES", SHORT_STRETCH)
    clip = voices["stereo"]
    for names in ((), sorted(SETTINGS)):
        chain = Chain([(name, SETTINGS[name]) for name in names])
        assert np.abs(total_reduction_db(chain, clip) - chain.apply(clip).reduction_db).max() < SAME


@pytest.mark.parametrize("names", [("de-esser",), ("gain", "dry", "de-esser")])
def test_a_soft_voice_in_blocks(names, voices, monkeypatch):
    """A de-esser follows the voice's power, which is tiny here, and once rounded it as if it were decibels."""
    for module in (recursion, blocks):
        monkeypatch.setattr(module, "STRETCH_FRAMES", SHORT_STRETCH)
    clip = voices["stereo"].cut(0.0, 0.6).gained(-50)
    off, off_db, _ = compare(Chain([(name, SETTINGS[name]) for name in names]), clip, [280, 2_514, 8_031])
    assert off < SAME and off_db < SAME


def test_without_stages_the_sound_passes(voices):
    off, _, came = compare(Chain(), voices["stereo"], [10, 10, 500])
    assert off == 0 and came == [10, 490, voices["stereo"].frames - 500]


def test_what_is_ready_comes_at_once(voices):
    """Nothing is held back without need: a filter and a compressor answer every block with as many frames."""
    chain = Chain([("low cut", HighPass(90)), ("peaks", SETTINGS["peak"]), ("steady", SETTINGS["rms"])])
    _, _, came = compare(chain, voices["stereo"], every(5_000, voices["stereo"].frames))
    assert set(came[:-1]) == {5_000}


def test_the_sound_is_read_once_however_many_stages_ask_for_its_power(voices, tmp_path):
    """What they ask for is worked out from a working copy, which is gone at the end and lies where it is told to."""
    clip, readings, parts = voices["mono"], [], []
    chain = Chain(
        [("a", DeEsser()), ("b", DeEsser(reference="full scale")), ("c", Gain(3)), ("d", DeEsser(-20, 7_000))]
    )

    def sound():
        readings.append(1)
        return np.split(clip.columns, [1_000, 30_000])

    assert stages_that_ask(chain, RATE, 1) == ["a", "d"]
    out = np.concatenate(list(in_blocks(chain, sound, RATE, 1, None, tmp_path, parts.append)))
    assert len(readings) == 1 and sum(parts) == 3 * clip.frames and not list(tmp_path.iterdir())
    assert np.abs(out - chain.apply(clip).output.columns).max() < SAME


def test_four_stages_that_ask_need_one_reading_and_each_works_once(voices, monkeypatch):
    clip, chain = voices["stereo"], Chain([(str(place), DeEsser(-28 + place)) for place in range(4)])
    worked = []
    push = DeEsserFlow.push
    monkeypatch.setattr(
        DeEsserFlow, "push", lambda flow, block, last: worked.append(len(block)) or push(flow, block, last)
    )
    sound = itertools.chain([clip.columns[:5_000], clip.columns[5_000:]])
    out = np.concatenate(list(in_blocks(chain, lambda: sound, RATE, 2)))  # which can be read once only
    assert sum(worked) == 4 * clip.frames
    assert np.abs(out - chain.apply(clip).output.columns).max() < SAME


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO])
def test_a_disk_without_room_for_the_working_copy_is_one_sentence(voices, monkeypatch, tmp_path, number):
    class Full(io.FileIO):
        def write(self, data):
            raise OSError(number, os.strerror(number))

    monkeypatch.setattr("tempfile.TemporaryFile", lambda prefix, dir, buffering: Full(tmp_path / "copy", "w+"))
    with pytest.raises(OSError) as caught:
        list(in_blocks(CHAIN_THAT_ASKS, lambda: [voices["mono"].columns], RATE, 1, folder=tmp_path))
    one_sentence(caught, f"path: '{tmp_path}'", "no room" if number == errno.ENOSPC else "its disk")


def test_memory_does_not_grow_with_the_length():
    """Traced: three times the length leaves the peak where it was."""
    chain = Chain([(name, SETTINGS[name]) for name in ("regions", "high-pass", "de-esser", "peak", "opto")])
    block = np.random.default_rng(3).standard_normal((50_000, 2)) * 0.1

    def peak(count):
        tracemalloc.start()
        for _ in in_blocks(chain, lambda: (block for _ in range(count)), RATE, 2):
            pass
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return most

    peak(1)  # what is made once and kept
    short, long = peak(8), peak(24)
    assert long < 1.05 * short


# ----------------------------------------------------------------------------------------------------------- refusals


def test_a_processor_without_a_flow_is_named():
    @dataclasses.dataclass(frozen=True)
    class Echo:
        def apply(self, clip):
            return clip

    with pytest.raises(ValueError) as caught:
        ChainFlow(Chain([("hall", Echo())]), RATE, 1)
    assert "'hall' is a Echo" in str(caught.value) and "Compressor" in str(caught.value)


def test_what_does_not_fit_the_rate_is_said_before_anything_is_read():
    def never():
        raise AssertionError("read")

    for processor, parts in (
        (HighPass(5_000), ("freq_hz", "5000 Hz", "4000 Hz")),
        (Compressor(-20, 3, 1, 50, sidechain_highpass_hz=6_000), ("sidechain_highpass_hz", "6000 Hz")),
        (DeEsser(), ("freq_hz", "6000 Hz")),
        (DeEsser(freq_hz=3_999.999), ("freq_hz", "near")),
    ):
        with pytest.raises(ValueError) as caught:
            next(in_blocks(Chain([("one", Gain(1)), ("two", processor)]), never, 8_000, 1))
        one_sentence(caught, "stages: 'two': ", *parts)


def test_a_de_esser_near_half_of_the_rate_still_works_on_a_whole_clip(voices):
    clip = Clip(voices["mono"].samples[:8_000], 8_000)
    assert np.isfinite(DeEsser(freq_hz=3_999.999).apply(clip).output.samples).all()


def test_a_sound_that_gets_too_large_for_a_number_is_one_sentence():
    chain = Chain([(str(place), Gain(60)) for place in range(110)])
    with pytest.raises(ValueError) as caught, np.errstate(over="ignore", invalid="ignore"):
        list(in_blocks(chain, lambda: [np.ones((10, 1))], RATE, 1))
    one_sentence(caught, "stages: ", "too large")


# -------------------------------------------------------------------------------------------------------------- memory


def test_silence_leaves_no_denormal_numbers_behind():
    memory, sections = Memory(), HighPass(100).sections(RATE)
    memory.sosfilt("it", sections, np.ones((100, 1)))
    memory.one_pole("slow", 0.5, np.ones(10))
    memory.branching("gain", np.ones(10), 0.5, 0.5)
    for _ in range(40):
        memory.sosfilt("it", sections, np.zeros((RATE, 1)))
        memory.one_pole("slow", 0.5, np.zeros(RATE))
        memory.branching("gain", np.zeros(RATE), 0.5, 0.5)
    assert not any(np.any(state) for state in memory._states.values())


def test_filters_of_one_memory_do_not_hear_each_other():
    memory, tone = Memory(), sine(300, 0.1, RATE)
    first = memory.one_pole("one", 0.9, tone)
    assert np.array_equal(memory.one_pole("two", 0.9, tone), first)
    assert not np.array_equal(memory.one_pole("one", 0.9, tone), first)


def test_a_compressor_takes_its_memory_along(voices):
    for processor in (SETTINGS["decoupled"], SETTINGS["rms"], SETTINGS["soft feedback"]):
        columns, memory, parts = voices["stereo"].columns, Memory(), []
        for block in np.split(columns, [1, 999, 40_000]):
            parts.append(processor.reduction_db(processor.detect_db(block, RATE, memory), RATE, memory=memory))
        whole = processor.reduction_db(processor.detect_db(columns, RATE), RATE)
        assert np.abs(np.concatenate(parts) - whole).max() < SAME
