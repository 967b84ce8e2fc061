"""Chains: order, reuse of what hasn't changed, and a settings sheet that comes back exactly or not at all."""

from __future__ import annotations

import dataclasses
import json
import math

import numpy as np
import pytest
from conftest import one_sentence, sine
from hypothesis import given
from hypothesis import strategies as st

from vocomp_lab.processors.chain import PROCESSORS, SHEET_FORMAT, SHEET_VERSION, Chain
from vocomp_lab.processors.clip_gain import ClipGain, GainRegion
from vocomp_lab.processors.compressor import BALLISTICS, DETECTORS, TOPOLOGIES, Compressor
from vocomp_lab.processors.filters import HighPass, HighShelf, LowShelf, Peaking
from vocomp_lab.sound.audio import Clip

RATE = 48_000
STAGES = [
    ("low cut", HighPass(90, 3)),
    ("boxiness", Peaking(400, -4, 2)),
    ("peaks", Compressor(-18, 3, 1, 60)),
    ("steady", Compressor(-26, 2, 10, 150, knee_db=6, detector="rms")),
    ("air", HighShelf(8_000, 2)),
]


@dataclasses.dataclass(frozen=True)
class Counted:
    """A gain that keeps count of how often it was applied."""

    gain_db: float
    calls: list = dataclasses.field(default_factory=list, compare=False)

    def apply(self, clip):
        self.calls.append(clip)
        return clip.gained(self.gain_db)


@pytest.fixture
def clip(rng):
    return Clip(sine(220, 0.3, RATE, -6) + 0.01 * rng.standard_normal(int(0.3 * RATE)), RATE)


# --------------------------------------------------------------------------------------------------------- applying


def test_stages_run_in_order_each_on_the_one_before(clip):
    result = Chain(STAGES).apply(clip)
    assert list(result.stages) == [name for name, _ in STAGES]
    by_hand, reductions = clip, []
    for name, processor in STAGES:
        outcome = processor.apply(by_hand)
        stage = result.stages[name]
        assert stage.source == by_hand and stage.processor is processor and stage.name == name
        by_hand = getattr(outcome, "output", outcome)
        assert stage.output == by_hand
        if isinstance(processor, Compressor):
            assert np.array_equal(stage.reduction_db, outcome.reduction_db) and stage.detail.source is stage.source
            reductions.append(outcome.reduction_db)
        else:
            assert stage.reduction_db is None and stage.detail is None
    assert result.output == by_hand
    assert np.array_equal(result.reduction_db, sum(reductions)) and result.reduction_db.max() > 1


def test_an_empty_chain_is_a_wire(clip):
    result = Chain().apply(clip)
    assert result.output is clip and not result.reduction_db.any() and result.reduction_db.shape == (clip.frames,)
    assert Chain.from_json(Chain().to_json()) == Chain() == Chain([])


def test_order_matters(clip):
    there, back = Chain(STAGES[:3]), Chain(STAGES[:3][::-1])
    assert there != back and there.apply(clip).output != back.apply(clip).output


@pytest.mark.parametrize("rate", (8_000, 192_000))
@pytest.mark.parametrize("shape", [(1,), (1, 1), (1, 6), (64,), (64, 6)], ids=str)
def test_silence_single_frames_and_every_shape(shape, rate):
    chain = Chain([stage for stage in STAGES if stage[0] != "air"])
    for samples in (np.zeros(shape), np.full(shape, 0.5)):
        out = chain.apply(Clip(samples, rate)).output
        assert out.samples.shape == shape and out.rate == rate and bool(samples.any()) == bool(out.samples.any())


# ------------------------------------------------------------------------------------------------------------- reuse


def test_reuse_recomputes_from_the_changed_stage_on(clip):
    gains = [(f"gain {k}", Counted(float(k))) for k in range(5)]
    chain = Chain(gains)
    first = chain.apply(clip)
    assert [len(gain.calls) for _, gain in gains] == [1] * 5

    again = chain.apply(clip, reuse=first)
    assert [len(gain.calls) for _, gain in gains] == [1] * 5
    assert all(again.stages[name] is first.stages[name] for name, _ in gains)

    changed = Counted(-7.0)
    second = chain.with_stage("gain 2", changed).apply(clip, reuse=first)
    assert [len(gain.calls) for _, gain in gains] == [1, 1, 1, 2, 2] and len(changed.calls) == 1
    for name in ("gain 0", "gain 1"):
        assert second.stages[name] is first.stages[name]
    for name in ("gain 2", "gain 3", "gain 4"):
        assert second.stages[name] is not first.stages[name]
    assert second.output == chain.with_stage("gain 2", changed).apply(clip).output

    # Equal settings in a new object count as the same.
    before = len(gains[4][1].calls)
    chain.with_stage("gain 0", Counted(0.0)).apply(clip, reuse=first)
    assert len(gains[4][1].calls) == before


def test_reuse_with_stages_added_removed_and_swapped(clip):
    gains = [(f"gain {k}", Counted(float(k))) for k in range(4)]
    first = Chain(gains).apply(clip)
    for stages in (
        gains[:2],
        gains[:1] + gains[2:],
        [gains[1], gains[0], *gains[2:]],
        [("new", Counted(3.0)), *gains],
        gains[::-1],
    ):
        assert Chain(stages).apply(clip, reuse=first).output == Chain(stages).apply(clip).output
    shorter = Chain(gains[:2]).apply(clip, reuse=first)
    assert [shorter.stages[name] is first.stages[name] for name, _ in gains[:2]] == [True, True]


def test_results_of_another_clip_are_never_reused(clip):
    chain = Chain([("gain", Counted(1.0))])
    first = chain.apply(clip)
    twin = Clip(clip.samples, clip.rate)
    assert chain.apply(twin, reuse=first).stages["gain"] is not first.stages["gain"]
    louder = clip.gained(6)
    assert chain.apply(louder, reuse=first).output == chain.apply(louder).output


def test_reuse_of_a_real_chain_gives_what_a_fresh_run_gives(clip):
    chain, result = Chain(STAGES), None
    for threshold_db in (-18, -24, -30):
        chain = chain.with_stage("peaks", dataclasses.replace(chain["peaks"], threshold_db=threshold_db))
        result = chain.apply(clip, reuse=result)
        assert result.output == chain.apply(clip).output


# -------------------------------------------------------------------------------------------------- making a chain


@pytest.mark.parametrize(
    "stages, parts",
    [
        (None, ("None", "list of pairs")),
        (5, ("5", "list of pairs")),
        ("low cut", ("'low cut'", "list of pairs")),
        ({"low cut": HighPass(90)}, ("list of pairs",)),
        ([HighPass(90)], ("number 1", "HighPass", "pair")),
        ([("low cut", HighPass(90)), ("a", HighPass(90), 3)], ("number 2", "pair")),
        ([(3, HighPass(90))], ("number 1", "the name 3", "text")),
        ([("", HighPass(90))], ("number 1", "''")),
        ([("  ", HighPass(90))], ("number 1", "'  '")),
        ([("low cut", None)], ("'low cut'", "None", "apply")),
        ([("low cut", HighPass)], ("'low cut'", "HighPass", "apply")),
        ([("a", HighPass(90)), ("a", HighPass(80))], ("'a'", "twice")),
        ([("x" * 5_000, None)], ("apply",)),
    ],
)
def test_stages_that_are_none_are_refused(stages, parts):
    with pytest.raises(ValueError) as caught:
        Chain(stages)
    one_sentence(caught, "stages: ", *parts)


def test_with_stage_refuses_an_unknown_name():
    with pytest.raises(ValueError) as caught:
        Chain(STAGES).with_stage("low cat", HighPass(80))
    one_sentence(caught, "name: ", "'low cat'", "low cut", "air")


def test_a_chain_is_a_value():
    assert Chain(STAGES) == Chain(tuple(map(list, STAGES))) and hash(Chain(STAGES)) == hash(Chain(STAGES))
    assert Chain(STAGES)["peaks"] == Compressor(-18, 3, 1, 60)


# ---------------------------------------------------------------------------------------------------- settings sheet

below_nyquist = st.floats(10, 96_000)
bells = dict(freq_hz=below_nyquist, gain_db=st.floats(-36, 36), q=st.floats(0.1, 40))
processors = st.one_of(
    st.builds(HighPass, below_nyquist, st.integers(1, 8)),
    *(st.builds(kind, **bells) for kind in (Peaking, LowShelf, HighShelf)),
    st.builds(
        Compressor,
        threshold_db=st.floats(-120, 24),
        ratio=st.one_of(st.just(math.inf), st.floats(1, 1e300)),
        attack_ms=st.floats(0, 5_000, exclude_min=True),
        release_ms=st.floats(0, 20_000, exclude_min=True),
        knee_db=st.floats(0, 48),
        makeup_db=st.floats(-48, 48),
        detector=st.sampled_from(DETECTORS),
        rms_ms=st.floats(0, 1_000, exclude_min=True),
        lookahead_ms=st.floats(0, 100),
        mix=st.floats(0, 1),
        sidechain_highpass_hz=st.one_of(st.none(), below_nyquist),
        topology=st.sampled_from(TOPOLOGIES),
    ),
    st.builds(Compressor, st.just(-20), st.just(2), st.just(1), st.just(9), ballistics=st.sampled_from(BALLISTICS)),
)
names = st.text(min_size=1, max_size=30).filter(str.strip)


@given(st.lists(st.tuples(names, processors), max_size=6, unique_by=lambda stage: stage[0]))
def test_a_sheet_comes_back_exactly(stages):
    chain = Chain(stages)
    text = chain.to_json()
    assert Chain.from_json(text) == chain
    assert Chain.from_json(text).to_json() == text
    assert Chain.from_dict(chain.to_dict()) == chain and chain.to_dict() == json.loads(text)
    json.loads(text, parse_constant=lambda name: pytest.fail(f"{name} is not JSON"))


def test_a_sheet_is_readable_and_names_every_setting_with_its_unit():
    chain = Chain([*STAGES, ("limit", Compressor(-1, math.inf, 0.1, 50))])
    sheet = json.loads(chain.to_json())
    assert (sheet["format"], sheet["version"]) == (SHEET_FORMAT, SHEET_VERSION)
    for (name, processor), stage in zip(chain.stages, sheet["stages"]):
        assert (stage["name"], stage["type"]) == (name, type(processor).__name__)
        assert set(stage["settings"]) == {part.name for part in dataclasses.fields(processor)}
    assert sheet["stages"][-1]["settings"]["ratio"] == "inf"
    assert chain.to_json().endswith("}\n")


def sheet_of(*stages, **changes) -> dict:
    return {"format": SHEET_FORMAT, "version": SHEET_VERSION, "stages": list(stages)} | changes


def stage_of(**changes) -> dict:
    return {"name": "low cut", "type": "HighPass", "settings": {"freq_hz": 90, "order": 2}} | changes


def test_settings_with_defaults_may_be_left_out():
    assert Chain.from_json(json.dumps(sheet_of(stage_of(settings={"freq_hz": 90})))) == Chain(
        [("low cut", HighPass(90))]
    )


def test_settings_within_settings_come_back_as_what_they_were():
    chain = Chain([("level prep", ClipGain([GainRegion(0.5, 1.25, -6.1), GainRegion(1.25, 2, 4)], crossfade_ms=20))])
    assert Chain.from_json(chain.to_json()) == chain
    (stage,) = json.loads(chain.to_json())["stages"]
    assert stage["settings"]["regions"][1] == {"start_s": 1.25, "end_s": 2, "gain_db": 4}
    assert Chain.from_json(Chain([("level prep", ClipGain())]).to_json())["level prep"].regions == ()


def regions_of(*regions) -> str:
    return json.dumps(sheet_of({"name": "prep", "type": "ClipGain", "settings": {"regions": list(regions)}}))


REGION = {"start_s": 1, "end_s": 2, "gain_db": -3}
COMPRESSOR = {"threshold_db": -20, "ratio": 3, "attack_ms": 1, "release_ms": 60}
HOSTILE = {
    "no JSON": ("compress it all", "JSON"),
    "nothing": ("", "JSON"),
    "half a sheet": (Chain(STAGES).to_json()[:200], "JSON"),
    "None": (None, "JSON"),
    "a number": (7, "JSON"),
    "bytes that are no text": (b"\xff\xfe\x00", "JSON"),
    "two sheets": (Chain().to_json() * 2, "JSON"),
    "JSON null": ("null", "NoneType"),
    "JSON list": ("[]", "list"),
    "JSON text": ('"sheet"', "str"),
    "deep nesting": ("[" * 200_000, "JSON"),
    "deep nesting of objects": ('{"a":' * 200_000, "JSON"),
    "deep but closed": ("[" * 900 + "]" * 900, "list"),
    "deep inside": (
        json.dumps(sheet_of(stage_of(settings={"freq_hz": eval("[" * 80 + "]" * 80), "order": 2}))),
        "freq_hz",
    ),
    "too many digits": (json.dumps(sheet_of(stage_of())).replace("90", "9" * 5_000), "JSON"),
    "a huge whole number": (json.dumps(sheet_of(stage_of())).replace("90", "9" * 400), "freq_hz"),
    "a huge float": (json.dumps(sheet_of(stage_of())).replace("90", "1e999"), "freq_hz"),
    "empty object": ("{}", "'format'"),
    "unknown field": (json.dumps(sheet_of(author="me")), "'author'"),
    "missing stages": (json.dumps({"format": SHEET_FORMAT, "version": SHEET_VERSION}), "'stages'"),
    "many unknown fields": (json.dumps({f"field {k}": k for k in range(10_000)}), "'stages'"),
    "a field twice": ('{"format": 1, "format": 2}', "'format'"),
    "a setting twice": (
        json.dumps(sheet_of(stage_of())).replace('"freq_hz": 90', '"freq_hz": 90, "freq_hz": 80'),
        "'freq_hz'",
    ),
    "many fields, one twice": ("{" + ",".join(f'"{k}":0' for k in range(50_000)) + ',"49999":0}', "'49999'"),
    "another format": (json.dumps(sheet_of(format="shopping list")), "'shopping list'"),
    "another version": (json.dumps(sheet_of(version=2)), "version 2"),
    "a version that is true": (json.dumps(sheet_of(version=True)), "version True"),
    "version as text": (json.dumps(sheet_of(version="1")), "'1'"),
    "a very long format": (json.dumps(sheet_of(format="x" * 9_999)), "format"),
    "stages as an object": (json.dumps(sheet_of(stages={})), "stages"),
    "stages as text": (json.dumps(sheet_of(stages="all")), "stages"),
    "a stage that is text": (json.dumps(sheet_of("low cut")), "stage 1"),
    "a stage that is null": (json.dumps(sheet_of(stage_of(), None)), "stage 2"),
    "a stage without settings": (json.dumps(sheet_of({"name": "a", "type": "HighPass"})), "'settings'"),
    "a stage with more": (json.dumps(sheet_of(stage_of(colour="red"))), "'colour'"),
    "a name that is a number": (json.dumps(sheet_of(stage_of(name=3))), "name 3"),
    "a name that is a list": (json.dumps(sheet_of(stage_of(name=["a"]))), "['a']"),
    "an empty name": (json.dumps(sheet_of(stage_of(name=""))), "''"),
    "a name twice": (json.dumps(sheet_of(stage_of(), stage_of())), "twice"),
    "an unknown type": (json.dumps(sheet_of(stage_of(type="Reverb"))), "'Reverb'"),
    "a type that is no text": (json.dumps(sheet_of(stage_of(type={"a": 1}))), "type"),
    "a type from elsewhere": (json.dumps(sheet_of(stage_of(type="__import__"))), "'__import__'"),
    "settings as a list": (json.dumps(sheet_of(stage_of(settings=[]))), "settings"),
    "settings as null": (json.dumps(sheet_of(stage_of(settings=None))), "settings"),
    "an unknown setting": (json.dumps(sheet_of(stage_of(settings={"freq_hz": 90, "slope": 2}))), "'slope'"),
    "a private setting": (json.dumps(sheet_of(stage_of(settings={"freq_hz": 90, "__class__": 2}))), "'__class__'"),
    "a missing setting": (json.dumps(sheet_of(stage_of(settings={"order": 2}))), "'freq_hz'"),
    "a setting out of range": (json.dumps(sheet_of(stage_of(settings={"freq_hz": 3}))), "10"),
    "a setting of a wrong type": (json.dumps(sheet_of(stage_of(settings={"freq_hz": "90"}))), "'90'"),
    "a setting that is true": (json.dumps(sheet_of(stage_of(settings={"freq_hz": 90, "order": True}))), "True"),
    "a setting that is null": (json.dumps(sheet_of(stage_of(settings={"freq_hz": None}))), "None"),
    "infinity where none is allowed": (json.dumps(sheet_of(stage_of(settings={"freq_hz": "inf"}))), "inf"),
    "infinity as a word": (
        json.dumps(sheet_of(stage_of(type="Compressor", settings=COMPRESSOR | {"detector": "inf"}))),
        "detector",
    ),
    "NaN": (json.dumps(sheet_of(stage_of(settings={"freq_hz": math.nan}))), "NaN"),
    "Infinity": (json.dumps(sheet_of(stage_of(settings={"freq_hz": math.inf}))), "Infinity"),
    "minus Infinity": (json.dumps(sheet_of(stage_of(settings={"freq_hz": -math.inf}))), "-Infinity"),
    "excluding settings": (
        json.dumps(
            sheet_of(
                stage_of(type="Compressor", settings=COMPRESSOR | {"topology": "feedback", "ballistics": "decoupled"})
            )
        ),
        "ballistics",
    ),
    "an unknown field in a region": (
        regions_of(REGION, REGION | {"fade": 1}),
        "'prep', regions number 2 has the unknown field 'fade'",
    ),
    "a missing field in a region": (
        regions_of({"start_s": 1, "gain_db": 0}),
        "regions number 1 lacks the field 'end_s'",
    ),
    "a region out of range": (regions_of(REGION | {"gain_db": 99}), "regions number 1: gain_db: 99"),
    "a region that ends before it starts": (regions_of(REGION | {"end_s": 0.5}), "end_s: 0.5"),
    "a region that is a number": (regions_of(REGION, 3), "regions number 2"),
    "a region that is a list": (regions_of([1, 2, -3]), "regions number 1"),
    "regions that overlap": (regions_of(REGION, REGION | {"start_s": 1.5}), "overlap"),
    "regions that are no list": (regions_of().replace("[]}", '"all"}'), "regions: 'all'"),
    "regions that are one region": (regions_of().replace("[]}", json.dumps(REGION) + "}"), "regions: {"),
    "long values everywhere": (
        json.dumps(sheet_of(stage_of(name="n" * 999, settings={"freq_hz": "v" * 9_999}))),
        "freq_hz",
    ),
}


@pytest.mark.parametrize("text, part", HOSTILE.values(), ids=HOSTILE)
def test_what_is_no_settings_sheet_is_refused_in_one_sentence(text, part):
    with pytest.raises(ValueError) as caught:
        Chain.from_json(text)
    one_sentence(caught, part)


def test_a_processor_that_no_sheet_knows_is_refused():
    with pytest.raises(ValueError) as caught:
        Chain([("gain", Counted(1.0))]).to_json()
    one_sentence(caught, "'gain'", "Counted", "HighPass")


def test_every_processor_of_the_sheet_is_one():
    for name, kind in PROCESSORS.items():
        assert kind.__name__ == name and dataclasses.is_dataclass(kind) and callable(kind.apply)
