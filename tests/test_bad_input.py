"""Whatever is given to a public name, it answers with its result, or with one ValueError in one sentence.

No warning, no other error, and no NaN where a number is promised: what may give NaN says so in its docstring. Each name
gets legal values, by the names of its parameters, with some of them replaced by anything at all: 10,000 inputs in CI.
What once went wrong is among the examples below. More by hand, here ten times as many, which are others in each run:

    FUZZ=10 python -m pytest -n 0 tests/test_bad_input.py

Not asked here: methods that a flow calls for every block of sound. What goes into them was checked before.
"""

from __future__ import annotations

import dataclasses
import functools
import inspect
import math
import os
import random
import re
import warnings
from fractions import Fraction

import numpy as np
import pytest
import soundfile
from conftest import IN_CI, one_sentence
from hypothesis import HealthCheck, given, note, settings
from hypothesis import strategies as st
from matplotlib.figure import Figure
from scipy.signal import resample_poly

import vocomp_lab
from vocomp_lab import analysis, exercises, lessons, pictures
from vocomp_lab import bench as benches
from vocomp_lab.analysis.diagnosis import measure_compression
from vocomp_lab.analysis.loudness import LoudnessMeter
from vocomp_lab.analysis.measures import stage_change
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.clip_gain import ClipGain, GainRegion
from vocomp_lab.processors.filters import HighPass
from vocomp_lab.sound.audio import LARGEST_SAMPLE, SMALLEST_SAMPLE, Clip, SoundWriter
from vocomp_lab.sound.checks import asks, check_numbers

ROOMS = (vocomp_lab, analysis, lessons, exercises, pictures, benches)
TIMES = int(os.environ.get("FUZZ", 0))
INPUTS = {"quick": 49, "picture": 35, "bench": 7} if IN_CI or TIMES else {"quick": 7, "picture": 7, "bench": 7}
"""How many inputs a name gets: what takes longer gets fewer."""

# ------------------------------------------------------------------------------------------------------ what is legal


class Made:
    """A legal value that is made anew for each call."""

    def __init__(self, make):
        self.make = make


@functools.cache
def voice() -> Clip:
    """A second of singing at 16 kHz, so that what listens for words and s sounds has some, and all is quick."""
    clip = vocomp_lab.shipped("lesson_verse_faulty").clip.cut(1.0, 2.2)
    return Clip(resample_poly(clip.samples, 1, 3), 16_000)


RNG = np.random.default_rng(18)
ODD_CLIPS = [
    Clip(np.zeros(8_000), 8_000),
    Clip([0.5], 8_000),
    Clip([1.0, -1.0] * 7 + [0.1], 48_000),
    Clip(np.full(5_000, 0.3), 16_000),
    Clip(1e6 * RNG.uniform(-1, 1, (4_000, 3)), 16_000),
    Clip([LARGEST_SAMPLE, -LARGEST_SAMPLE] * 2_000, 16_000),
    Clip(1e-162 * RNG.standard_normal(4_000), 16_000),
    Clip(3.0 * SMALLEST_SAMPLE * RNG.standard_normal(4_000), 16_000),
    Clip(1e-6 * RNG.standard_normal(4_000), 16_000),
    Clip(RNG.standard_normal((4_000, 2)), 192_000),
    Clip([[0.0, 0.1]] * 50, 22_050),
]
COMPRESSOR = vocomp_lab.Compressor(-24, 3, 5, 80)
CHAIN = Chain([("low cut", HighPass(90, 3)), ("peaks", COMPRESSOR)])


@functools.cache
def result():
    return CHAIN.apply(voice())


def legal_values(folder) -> dict:
    """A legal value for each parameter, by its name."""
    clip, stage, words = voice(), result().stages["peaks"], analysis.voiced_words(voice())
    reduction_db = stage.reduction_db
    band = Clip(0.05 * RNG.standard_normal(clip.frames), clip.rate)
    lesson = vocomp_lab.begin("04_peak_control", clip, folder=folder)
    axes = Made(lambda: Figure().add_subplot())
    saved = vocomp_lab.save(Clip(np.zeros(100), 8_000), folder / "saved.wav")
    named = dict(
        a=clip, after=result().output, b=result().output, backing=band, before=clip, clip=clip, output=clip,
        raw=clip, recorded=clip, reference_clip=band, source=clip, vocal=clip, voice=clip,
        chain=CHAIN, compressor=COMPRESSOR, other=COMPRESSOR, process=COMPRESSOR.apply, processor=COMPRESSOR,
        result=result(), stages=CHAIN.stages, change=stage_change(stage), reuse=None, colour=vocomp_lab.Colour(6),
        active=vocomp_lab.active_mask(clip), detector_db=reduction_db, reduction_db=reduction_db,
        rate=clip.rate, samples=clip.samples, origin=None, path=str(saved), folder=folder, subtype=None,
        amplitude=[0.5, 0.1], power=[0.1, 0.2], db=[-3.0, 2.0], floor_db=0.5, layout=None, weights=None,
        threshold_db=-20.0, ratio=3.0, attack_ms=5.0, release_ms=80.0, knee_db=3.0, makeup_db=0.0, mix=1.0,
        detector="peak", rms_ms=10.0, topology="feedforward", lookahead_ms=0.0, sidechain_highpass_hz=None,
        ballistics="branching", range_db=6.0, mode="split-band", drive_db=3.0, asymmetry=0.1, tail_ms=800.0,
        memory_ms=600.0, bend_db=12.0, freq_hz=1_000.0, gain_db=-3.0, q=1.0, regions=(), crossfade_ms=10.0, points=(),
        start_s=0.1, end_s=0.2, at_s=0.2, index=0, region=GainRegion(0, 0.1, 1), point=vocomp_lab.RidePoint(0, 1),
        times_s=[0.1], level_db=[-10.0, -math.inf], freqs_hz=[100.0], text=CHAIN.to_json(), sheet=CHAIN.to_dict(),
        measure="max_db", high=3.0, target=3.0, exact=True, count=1, low_hz=150.0, high_hz=1_200.0, low=None,
        min_length_s=0.12, share=0.9, sections=None, band_hz=None, proposals=[], step_ms=10.0, threshold=0.15,
        places=analysis.find_breaths(vocomp_lab.shipped("lesson_verse_faulty").clip), by_db=4.0, words=words,
        onsets_s=[0.1, 0.4], sustain_ms=(120.0, 250.0), rise_db=8.0, apart_ms=150.0, stretches_s=[(0.1, 0.3)],
        spans=[(0.1, 0.2)], edges_s=(), window_ms=20.0, pops=None, from_hz=4_000.0, gap_s=0.1, softest_percent=10.0,
        distance_cm=10.0, gradient=0.5, offset_lu=0.0, difference_lu=[1.0, math.nan, -4.0], balance_lu=0.0, margin_lu=3.0,
        decay_s=0.5, under_db=12.0, spread_lu=2.0, level_dbfs=-10.0, highest=3, phon=60.0, reference_dbfs=-18.0,
        burst_s=0.05, after_s=0.05, low_note_hz=110.0, time_constant_ms=5.0, step_db=12.0, kind="II", value=1.0,
        digits=1, sign=False, verse="first", seed=3, faulty=False, manner="plain", style=None, stage="peaks",
        name="low cut", behind="peaks", lesson=lesson, order=("A", "B"), answers=(), plays=(), choice="A", trials=12,
        one_answer_each=False, wanted_power=0.8, significant=0.05, hears_share=0.7, rows=[("a", 1)], head=("x", "y"),
        loudness_lufs=-14.0, highest_true_peak_dbtp=-1.0, levels_db=[1.0, 2.0], gains=ClipGain(),
        ax=axes, coming=axes, going=axes, bare=axes, oversampled=axes, figure=Made(Figure),
        axes=Made(lambda: Figure().subplots(2)), balances_db={"a": 1.0, "b": 2.0}, reference="a", mixes=[0.2, 0.5],
        bursts={"x": analysis.measure_burst(COMPRESSOR, 0.05, 0.05)}, peaks_dbfs=[-3.0, -6.0], labels=["a", "b"],
        named=(0,), harmonics={"a": np.array([-20.0, -30.0])}, low_db=-100.0, filters={"a": HighPass(90)}, lowest_hz=100.0,
        clips={"a": clip, "b": result().output}, before_ms=60.0, after_ms=300.0, curves={"a": reduction_db}, unit="ms",
        pop=analysis.Pop(0.3, -20.0), reductions={"a": reduction_db}, window=(0.0, 0.8), beats_s=[0.1, 0.5],
        compressors={"a": COMPRESSOR}, called=None, homework="04", learner="guest", number=1, levels=None,
        home=exercises.Homework("04"), stretch=None, names=None, bench=Made(lambda: benches.Bench(clip, COMPRESSOR)),
        truth={}, kept=CHAIN, origins={}, about="", reason="so", integrated_lufs=-20.0, range_lu=3.0,
        momentary_lufs=np.zeros(3), short_term_lufs=np.zeros(3), times=np.zeros(3), time_s=0.1, farthest_lu=1.0,
        peaks_db=1.0, median_db=1.0, max_db=1.0, swing_db=1.0, distortion_percent=1.0, room_db=1.0, breaths_db=1.0,
        gallery=None, choices={"a": CHAIN}, whole=False, drill="",
    )  # fmt: skip
    special = {
        "amplitude_to_db": dict(floor_db=None),
        "AbxSession.answer": dict(),
        "Chain.with_stage": dict(processor=HighPass(60)),
        "DeEsser": dict(reference="voice", freq_hz=6_000.0),
        "GuessLevels": dict(clip=clip),
        "Goal": dict(low=0.0),
        "HighPass": dict(order=2),
        "PreferenceSession.answer": dict(choice="1"),
        "begin": dict(lesson="04_peak_control"),
        "character": dict(kind="vca"),
        "equal_loudness_db": dict(freq_hz=100),
        "find_sibilants": dict(freq_hz=5_000.0, threshold_db=-30.0),
        "sibilance_balance_db": dict(freq_hz=5_000.0),
        "plot_aliasing": dict(freq_hz=997),
        "plot_eye_and_ear": dict(loudness_lufs=[-10.0, -20.0]),
        "plot_stage_reductions": dict(words=()),
        "power_to_db": dict(floor_db=None),
        "propose_regions": dict(threshold_db=4.0),
        "proposed_chain": dict(proposals=[vocomp_lab.Proposal("peaks", COMPRESSOR, "so")]),
        "save": dict(path=folder / "made.wav"),
        "shipped": dict(name="lesson_verse_clean", folder=None),
        "split_low_end": dict(freq_hz=80.0),
        "vocal_over_backing": dict(kind="phrases"),
        "what_it_did": dict(stage=stage),
        "Bench": dict(stage=None),
        "MixBench": dict(words=()),
        "Overview": dict(lesson=lesson),
        "RegionBench": dict(stage="level prep", proposals=None),
        "RideBench": dict(backing=None, recorded=None, words=(), stage="rides"),
    }
    return named | {f"{name}.{field}": value for name, fields in special.items() for field, value in fields.items()}


# ----------------------------------------------------------------------------------------------------- who is asked

# Objects whose methods are asked, too.
OBJECTS = {
    "AbxSession": vocomp_lab.AbxSession(("A", "B")),
    "Chain": CHAIN,
    "Clip": Clip([0.1, 0.2], 8_000),
    "ClipGain": ClipGain([GainRegion(0.1, 0.3, -2)]),
    "Colour": vocomp_lab.Colour(6),
    "Compressor": COMPRESSOR,
    "DeEsser": vocomp_lab.DeEsser(freq_hz=4_000),
    "FaderRide": vocomp_lab.FaderRide([vocomp_lab.RidePoint(0.1, 2)]),
    "FetCompressor": vocomp_lab.FetCompressor(),
    "Gain": vocomp_lab.Gain(2),
    "Goal": vocomp_lab.Goal("max_db", 0, 3),
    "HighPass": HighPass(90),
    "HighShelf": vocomp_lab.HighShelf(4_000, 2),
    "LowShelf": vocomp_lab.LowShelf(100, 2),
    "OptoCompressor": vocomp_lab.OptoCompressor(),
    "Peaking": vocomp_lab.Peaking(300, -2),
    "PreferenceSession": vocomp_lab.PreferenceSession(("A", "B")),
    "TubeCompressor": vocomp_lab.TubeCompressor(),
    "VcaCompressor": vocomp_lab.VcaCompressor(),
}
# What flows call block by block, and what has no parameter.
INSIDE = {"FLOW", "flow", "detect_db", "reduction_db", "hiss_db", "target_reduction_db", "curve", "sections"}


SLOW = {"FaultGallery", "make_take"}


def asked() -> dict:
    """Every public name that can be called, and the methods of the objects above, with the kind of its cost."""
    found = {}
    for room in ROOMS:
        kind = {pictures: "picture", benches: "bench"}.get(room, "quick")
        for name in room.__all__:
            one = getattr(room, name)
            if callable(one):
                found[name] = one, "bench" if name in SLOW else kind
            for method in dir(OBJECTS.get(name, None)) if name in OBJECTS else ():
                static = inspect.getattr_static(OBJECTS[name], method)
                hidden = method.startswith("_") or method in INSIDE or isinstance(static, property)
                if not hidden and callable(getattr(OBJECTS[name], method)):
                    found[f"{name}.{method}"] = getattr(OBJECTS[name], method), kind
    return {name: (one, kind) for name, (one, kind) in found.items() if parameters(one)}


def parameters(one) -> list[str]:
    """The names of the parameters that can be given by name."""
    found = inspect.signature(one).parameters.values()
    return [each.name for each in found if each.kind not in (each.VAR_KEYWORD, each.VAR_POSITIONAL)]


ASKED = asked()

# ------------------------------------------------------------------------------------------------------ anything else

WRONG = [
    None, "a", "", "x" * 1_000, b"3", True, False, object(), type, lambda *given: None, 1j, Fraction(1, 3),
    0, -1, 1, 3, -7, 48_000, 10**400, 0.5, 1.5, 1e5, -1e5, 1e300, -1e300, 1e-320, math.nan, math.inf, -math.inf,
    np.float32(3.4e38), np.timedelta64(5, "ms"), np.datetime64("2020-01-01"),
    [], (), {}, set(), range(3), [1.0], ["a"], [[1], [1, 2]], [1e300], [math.nan], [-math.inf, 1.0], [True, False],
    (1, 2), [(0.3, 0.1)], [(math.nan, 1)], {"a": 1}, {1: 2}, {"": None},
    np.zeros(3), np.zeros((2, 2)), np.zeros((0, 2)), np.array(1.0), np.array(["a"]), np.array([None]), np.array([], bool),
    COMPRESSOR, CHAIN, *ODD_CLIPS[:3],
]  # fmt: skip
AT_ONCE = 7
"""Inputs of one example: hypothesis draws a seed for each, since drawing each value would take most of the time."""


def anything(chance: random.Random):
    """Anything at all."""
    if chance.random() < 0.75:
        return chance.choice(WRONG)
    number = chance.choice((-1, 1)) * 10.0 ** chance.uniform(-323, 308)
    text = "".join(map(chr, chance.choices((0, 10, 45, 46, 47, 48, 97, 233, 0x2212, 0x1F3A4), k=3)))
    return chance.choice((number, int(number), chance.uniform(-100, 100), [number, 1.0], text, [text], (number,) * 2))


@pytest.fixture(scope="module")
def legal(tmp_path_factory):
    return legal_values(tmp_path_factory.mktemp("input"))


def holds_nan(value, depth: int = 0) -> bool:
    """Whether a result holds NaN anywhere."""
    if isinstance(value, (float, np.floating)):
        return math.isnan(value)
    if isinstance(value, np.ndarray):
        return value.dtype.kind in "fc" and bool(np.isnan(value).any())
    if depth < 5 and dataclasses.is_dataclass(value) and not isinstance(value, type):
        return any(holds_nan(getattr(value, part.name), depth + 1) for part in dataclasses.fields(value))
    if isinstance(value, dict):
        value = list(value.values())
    return depth < 5 and isinstance(value, (list, tuple)) and any(holds_nan(one, depth + 1) for one in value)


def answer(one, given: dict):
    """What a name gives, or its refusal; anything but a result or a sentence that names a field is an error."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            made = one(**given)
        except (ValueError, FileNotFoundError) as error:
            assert type(error) in (ValueError, FileNotFoundError), repr(error)
            text = one_sentence(error)
            assert re.match(r"[\w' ]+: ", text), text
            return error
    promises = f"{one.__doc__} {type(made).__doc__}"
    if not inspect.isclass(one) and "NaN" not in promises:  # a class only holds what it is given
        assert not holds_nan(made), made
    return made


@pytest.mark.usefixtures("undrawn")
@pytest.mark.parametrize("name", ASKED)
def test_any_input_gives_a_result_or_one_sentence(name, legal, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    one, kind = ASKED[name]
    fields = parameters(one)
    defaults = inspect.signature(one).parameters
    usual = {
        field: legal.get(f"{name}.{field}", legal[field] if field in legal else defaults[field].default)
        for field in fields
    }
    missing = [field for field, value in usual.items() if value is inspect.Parameter.empty]
    assert not missing, f"give {name} a legal value for {missing} in legal_values()"
    one_at_least = kind == "bench"  # a bench takes long to make

    @settings(
        max_examples=max(INPUTS[kind] * max(TIMES, 1) // AT_ONCE, 1),
        derandomize=not TIMES,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(st.lists(st.integers(0, 2**32 - 1), min_size=AT_ONCE, max_size=AT_ONCE))
    def ask(seeds):
        for seed in seeds:
            chance = random.Random(seed)
            changed = chance.sample(
                fields, min(len(fields), chance.choice((1, 1, 1, 2) if one_at_least else (0, 1, 1, 2)))
            )
            odd = {
                field: chance.choice(ODD_CLIPS)
                if isinstance(usual[field], Clip) and chance.random() < 0.5
                else anything(chance)
                for field in changed
            }
            note(f"{name}: {odd}")
            answer(one, {k: v.make() if isinstance(v, Made) else v for k, v in (usual | odd).items()})

    ask()


def test_legal_input_gives_results(legal):
    """The legal values above are legal, or the test would try nothing but refusals."""
    refused = {}
    for name, (one, kind) in ASKED.items():
        if kind == "quick" and name not in {"GuessLevels", "make_take"}:  # too short for a game; makes a whole verse
            given = {f: legal.get(f"{name}.{f}", legal.get(f, inspect.Parameter.empty)) for f in parameters(one)}
            made = answer(one, {f: value for f, value in given.items() if value is not inspect.Parameter.empty})
            if isinstance(made, Exception):
                refused[name] = made
    assert not refused


def test_ten_thousand_inputs_in_ci():
    counts = {"quick": 49, "picture": 35, "bench": 7}
    assert sum(counts[kind] for _, kind in ASKED.values()) >= 10_000
    # Every public name but modules and what takes nothing is asked.
    left_out = {name for room in ROOMS for name in room.__all__} - set(ASKED)
    assert left_out == {"on_this_voice", "SoundCheck"}


# ----------------------------------------------------------------------------------------------- what once went wrong

SHORT = Clip([1.0, -0.5, 0.3] * 5, 48_000)
REFUSED = {
    "onset far away": (lambda: analysis.onset_to_sustain_db(voice(), [1e300]), "onsets_s"),
    "no channels": (lambda: SoundWriter("w.wav", 48_000, 0), "channels"),
    "a channel and a half": (lambda: SoundWriter("w.wav", 48_000, 1.5), "channels"),
    "no path": (lambda: SoundWriter(None, 48_000, 1), "path"),
    "goal without a low end": (lambda: vocomp_lab.Goal("max_db", None, 1), "low"),
    "layout that is a number": (lambda: vocomp_lab.integrated_lufs(SHORT, 5), "layout"),
    "weights that are text": (lambda: vocomp_lab.integrated_lufs(SHORT, weights="ab"), "weights"),
    "no spans": (lambda: analysis.sibilance_balance_db(voice(), None), "spans"),
    "reduction that is text": (lambda: analysis.reduction_moments("a", 48_000), "reduction_db"),
    "rate of nothing": (lambda: analysis.reduction_moments([1.0], 0), "rate"),
    "power that is text": (lambda: vocomp_lab.power_to_db("a"), "power"),
    "statistics of text": (lambda: vocomp_lab.reduction_stats("a", []), "reduction_db"),
    "difference that is text": (lambda: analysis.presence("a", 0), "difference_lu"),
    "difference without end": (lambda: analysis.presence([-math.inf, 1.0], 0), "difference_lu"),
    "too many decibels": (lambda: vocomp_lab.db_to_amplitude(1e5), "db"),
    "no clip": (lambda: vocomp_lab.rms_dbfs(None), "clip"),
    "samples whose squares overflow": (lambda: Clip([1e155, 0.0], 48_000), "samples"),
    "samples of single precision's end": (lambda: Clip(np.array([3.4e38], np.float32), 48_000), "samples"),
    "just too loud": (lambda: Clip([0.0, math.nextafter(-LARGEST_SAMPLE, -math.inf)], 48_000), "samples"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_was_no_sentence_is_one(case, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    call, field = REFUSED[case]
    refusal = answer(call, {})
    assert isinstance(refusal, ValueError) and str(refusal).startswith(f"{field}: ")
    assert not list(tmp_path.iterdir())


def test_fifteen_frames_can_be_measured():
    numbers = answer(measure_compression, dict(before=SHORT, after=SHORT, reduction_db=np.zeros(15)))
    assert numbers.values["make-up"] == 0.0


def test_what_is_too_soft_for_a_number_counts_as_silence():
    """Squares of these would vanish, so that a clip with a peak would have no power."""
    for size in (1e-162, 1e-310, 0.99 * SMALLEST_SAMPLE):
        clip = Clip(np.array([[size, -size], [0.5, 1.01 * SMALLEST_SAMPLE]]), 48_000)
        assert clip.samples.tolist() == [[0.0, 0.0], [0.5, 1.01 * SMALLEST_SAMPLE]]
        soft = Clip([size, -size], 48_000)
        assert vocomp_lab.sample_peak_dbfs(soft) == vocomp_lab.rms_dbfs(soft) == -math.inf
    soft = Clip([SMALLEST_SAMPLE, -SMALLEST_SAMPLE], 48_000)
    assert answer(vocomp_lab.crest_factor_db, dict(clip=soft)) == pytest.approx(0.0, abs=1e-9)


def test_the_largest_samples_are_measured():
    # Not quite the largest: a filter may swing a little over what goes in, and its sound is a clip, too.
    loud = Clip(0.5 * LARGEST_SAMPLE * np.sin(np.arange(48_000) / 10), 48_000)
    for one in (vocomp_lab.loudness, vocomp_lab.true_peak_dbtp, vocomp_lab.active_mask, vocomp_lab.Colour(24).apply):
        assert not isinstance(answer(one, dict(clip=loud)), Exception)


def test_blocks_are_held_to_the_same(tmp_path):
    """In a file, in a meter and in a chain that works in blocks."""
    soundfile.write(tmp_path / "loud.wav", np.array([0.0, 2e6]), 48_000, subtype="DOUBLE")
    assert "frame 1 holds 2e+06" in str(answer(vocomp_lab.load, dict(path=tmp_path / "loud.wav")))
    meter = LoudnessMeter(48_000)
    meter.feed(np.zeros(10))
    assert "block: frame 11 holds 2e+06" in str(answer(meter.feed, dict(block=[0.0, 2e6])))
    louder = Chain([(str(place), vocomp_lab.Gain(60)) for place in range(3)])
    assert "'2' made samples too large" in str(
        answer(vocomp_lab.total_reduction_db, dict(chain=louder, clip=Clip([1.0], 48_000)))
    )


# -------------------------------------------------------------------------------------------------- the checks' own


def test_arrays_are_checked_as_numbers_are():
    assert check_numbers("x", 3).shape == () and check_numbers("x", []).shape == (0,)
    assert check_numbers("x", [math.nan, 1.0], 0, 1, nan=True)[1] == 1.0
    assert check_numbers("x", [math.nan], 0, 1, nan=True).shape == (1,)
    for bad, told in (
        ([0.0, math.nan], "NaN"),
        ([2.0], "2 dB"),
        ([-math.inf], "−∞ dB"),
        ([True], "[True]"),
        ([[1], [1, 2]], "["),
    ):
        with pytest.raises(ValueError) as caught:
            check_numbers("x", bad, 0, 1, "dB")
        one_sentence(caught, "x: ", told)
    with pytest.raises(ValueError) as caught:
        check_numbers("x", [[1.0]], dims=1)
    one_sentence(caught, "x: shape (1, 1)")


def test_a_checked_function_keeps_its_name_and_its_defaults():
    class Upper:
        def check(self, field, value):
            return value.upper()

    @asks(word=Upper())
    def said(word, mark="!", *, word_again="as it is"):
        """Says it."""
        return word + mark + word_again

    assert said.__doc__ == "Says it." and parameters(said) == ["word", "mark", "word_again"]
    assert said("a") == said(word="a") == "A!as it is"
    with pytest.raises(TypeError):
        said()
