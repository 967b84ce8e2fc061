"""Every setting of every processor refuses what it must, in one sentence: field, value, what is allowed."""

from __future__ import annotations

import dataclasses
import math
from fractions import Fraction

import numpy as np
import pytest
from conftest import one_sentence
from hypothesis import given
from hypothesis import strategies as st

from vocomp_lab.processors.chain import PROCESSORS
from vocomp_lab.processors.character import FetCompressor, OptoCompressor, TubeCompressor, VcaCompressor
from vocomp_lab.processors.clip_gain import ClipGain, GainRegion
from vocomp_lab.processors.colour import Colour
from vocomp_lab.processors.compressor import BALLISTICS, DETECTORS, TOPOLOGIES, Compressor
from vocomp_lab.processors.deesser import MODES, REFERENCES, DeEsser
from vocomp_lab.processors.filters import HighPass, HighShelf, LowShelf, Peaking
from vocomp_lab.processors.gain import Gain
from vocomp_lab.processors.rides import FaderRide, RidePoint
from vocomp_lab.sound.checks import check_below_nyquist, check_choice, check_number, check_whole, shown

DETECTOR_TYPE = {
    "threshold_db": (-120, 24),
    "ratio": (1, math.inf),
    "attack_ms": (0, 5_000),
    "release_ms": (0, 20_000),
    "makeup_db": (-48, 48),
    "mix": (0, 1),
}
# The legal range of every field, as its docstring states it: (low, high), a tuple of words, or what a list holds. What
# a GainRegion may be is tested in test_clip_gain.py.
RANGES = {
    Compressor: {
        "threshold_db": (-120, 24),
        "ratio": (1, math.inf),
        "attack_ms": (0, 5_000),
        "release_ms": (0, 20_000),
        "knee_db": (0, 48),
        "makeup_db": (-48, 48),
        "detector": DETECTORS,
        "rms_ms": (0, 1_000),
        "topology": TOPOLOGIES,
        "lookahead_ms": (0, 100),
        "mix": (0, 1),
        "sidechain_highpass_hz": (10, 96_000),
        "ballistics": BALLISTICS,
    },
    ClipGain: {"regions": GainRegion, "crossfade_ms": (1, 1_000)},
    FaderRide: {"points": RidePoint},
    Gain: {"gain_db": (-60, 60)},
    HighPass: {"freq_hz": (10, 96_000), "order": (1, 8)},
    Peaking: {"freq_hz": (10, 96_000), "gain_db": (-36, 36), "q": (0.1, 40)},
    LowShelf: {"freq_hz": (10, 96_000), "gain_db": (-36, 36), "q": (0.1, 40)},
    HighShelf: {"freq_hz": (10, 96_000), "gain_db": (-36, 36), "q": (0.1, 40)},
    DeEsser: {
        "threshold_db": (-120, 24),
        "freq_hz": (500, 96_000),
        "ratio": (1, math.inf),
        "attack_ms": (0, 1_000),
        "release_ms": (0, 5_000),
        "range_db": (0, 48),
        "mode": MODES,
        "reference": REFERENCES,
        "knee_db": (0, 48),
    },
    Colour: {"drive_db": (-60, 24), "asymmetry": (0, 0.9)},
    VcaCompressor: {**DETECTOR_TYPE, "knee_db": (0, 48), "rms_ms": (0, 1_000)},
    FetCompressor: {**DETECTOR_TYPE, "drive_db": (-60, 24)},
    OptoCompressor: {**DETECTOR_TYPE, "tail_ms": (0, 20_000), "memory_ms": (0, 20_000), "knee_db": (0, 48)},
    TubeCompressor: {**DETECTOR_TYPE, "bend_db": (0, 48), "memory_ms": (0, 20_000), "drive_db": (-60, 24)},
}
LEGAL = {
    Compressor: dict(threshold_db=-20, ratio=3, attack_ms=5, release_ms=80),
    ClipGain: dict(regions=(GainRegion(1, 2, -3),), crossfade_ms=10),
    FaderRide: dict(points=(RidePoint(1, -1), RidePoint(2, 1))),
    Gain: dict(gain_db=-6),
    HighPass: dict(freq_hz=80, order=3),
    Peaking: dict(freq_hz=400, gain_db=-3, q=2),
    LowShelf: dict(freq_hz=200, gain_db=2),
    HighShelf: dict(freq_hz=6000, gain_db=-2),
    DeEsser: dict(threshold_db=-20, mode="wideband"),
    Colour: dict(drive_db=3, asymmetry=0.1),
    VcaCompressor: dict(ratio=4),
    FetCompressor: dict(ratio=4),
    OptoCompressor: dict(ratio=4),
    TubeCompressor: dict(ratio=4),
}
OPEN_BELOW = {"attack_ms", "release_ms", "rms_ms", "tail_ms", "memory_ms", "bend_db"}
MAY_BE_NONE = {"sidechain_highpass_hz"}
FIELDS = [(kind, part.name) for kind in RANGES for part in dataclasses.fields(kind)]
WRONG_KINDS = [
    math.nan,
    np.nan,
    "loud",
    "",
    None,
    True,
    False,
    np.True_,
    [1.0],
    np.zeros(3),
    1j,
    np.complex128(1),
    b"3",
    object(),
    {},
    10**400,
    -(10**400),
    10**5000,
]


def is_word(kind, name) -> bool:
    return isinstance(RANGES[kind][name], tuple) and isinstance(RANGES[kind][name][0], str)


def is_number(kind, name) -> bool:
    return isinstance(RANGES[kind][name], tuple) and not is_word(kind, name)


def made_with(kind, name, value):
    """The field's value in settings that are otherwise legal."""
    return getattr(kind(**{**LEGAL[kind], name: value}), name)


def refused(kind, name, value, *parts):
    """Assert that a value of a field is refused in one sentence that holds all the parts."""
    with pytest.raises(ValueError) as caught:
        kind(**{**LEGAL[kind], name: value})
    one_sentence(caught, f"{name}: ", shown(value), *parts)


def test_the_tables_above_cover_every_field_of_every_processor_that_has_sheets():
    assert set(RANGES) == set(PROCESSORS.values())
    for kind, ranges in RANGES.items():
        assert set(ranges) == {part.name for part in dataclasses.fields(kind)}


def test_every_field_refuses_values_of_a_wrong_kind():
    for kind, name in FIELDS:
        for bad in WRONG_KINDS:
            if bad is None and name in MAY_BE_NONE:
                assert made_with(kind, name, None) is None
            else:
                refused(kind, name, bad, "is not allowed; give ")


def test_every_range_is_exactly_the_stated_one():
    for kind, name in filter(lambda field: is_number(*field), FIELDS):
        low, high = RANGES[kind][name]
        bad = [math.nextafter(low, -math.inf), -math.inf]
        if name in OPEN_BELOW:
            assert made_with(kind, name, math.nextafter(low, math.inf)) > low
            bad.append(low)
        else:
            assert made_with(kind, name, low) == low
        assert made_with(kind, name, high) == high
        if math.isfinite(high):
            bad += [math.nextafter(high, math.inf), math.inf]
        for value in bad:
            refused(kind, name, value, f"{low:g}", "∞" if math.isinf(high) else f"{high:g}")


def test_words_are_taken_from_the_list_and_no_other():
    for kind, name in filter(lambda field: is_word(*field), FIELDS):
        words = RANGES[kind][name]
        for word in words:
            assert made_with(kind, name, word) == word
        for word in ("Peak", " peak", "loud", words[0].upper()):
            refused(kind, name, word, *map(repr, words))


# A few of each kind of rule, drawn: a range closed and open below, a whole number, words, one that may be off, a list.
DRAWN = [(Compressor, "threshold_db"), (Compressor, "attack_ms"), (HighPass, "order"), (DeEsser, "mode")]
DRAWN += [(Compressor, "sidechain_highpass_hz"), (ClipGain, "regions"), (FaderRide, "points")]
anything = st.one_of(
    st.floats(), st.integers(), st.text(max_size=20), st.booleans(), st.none(), st.binary(), st.lists(st.floats())
)


@given(st.sampled_from(DRAWN), anything)
def test_whatever_is_given_is_kept_or_refused_in_one_sentence(field, value):
    kind, name = field
    allowed = RANGES[kind][name]
    if value is None:
        legal = name in MAY_BE_NONE
    elif is_word(*field):
        legal = value in allowed
    elif is_number(*field):
        legal = isinstance(value, (int, float)) and not isinstance(value, bool) and allowed[0] <= value <= allowed[1]
        legal = legal and not (name in OPEN_BELOW and value == allowed[0]) and (name != "order" or value == int(value))
    else:
        legal = value == []
    if legal:
        assert made_with(kind, name, value) == (() if name in ("regions", "points") else value)
    else:
        refused(kind, name, value)


def test_numbers_of_every_type_become_plain_ones():
    for number in (2, 2.0, np.float64(2), np.float32(2), np.int16(2), Fraction(2)):
        made = Compressor(-20, number, number, number)
        assert type(made.ratio) is float and made == Compressor(-20, 2, 2, 2)
        order = HighPass(80, number).order
        assert type(order) is int and order == 2


def test_fractional_orders_are_refused():
    with pytest.raises(ValueError) as caught:
        HighPass(80, 2.5)
    one_sentence(caught, "order: 2.5", "whole number from 1 to 8")


def test_settings_cannot_be_changed_afterwards():
    for kind, settings in LEGAL.items():
        made = kind(**settings)
        with pytest.raises(dataclasses.FrozenInstanceError):
            setattr(made, next(iter(settings)), 1.0)
        assert hash(made) == hash(kind(**settings))


def test_two_settings_that_exclude_each_other():
    with pytest.raises(ValueError) as caught:
        Compressor(-20, 3, 5, 80, topology="feedback", ballistics="decoupled")
    one_sentence(caught, "ballistics: 'decoupled'", "feedback", "branching")


def test_the_checks_themselves():
    assert check_number("x", 3, 3, 3) == 3.0
    assert check_whole("x", 3.0, 1, 8) == 3
    assert check_choice("x", "a", ("a", "b")) == "a"
    check_below_nyquist("freq_hz", 3999.9, 8000)
    with pytest.raises(ValueError) as caught:
        check_below_nyquist("freq_hz", 4000.0, 8000)
    one_sentence(caught, "freq_hz: 4000 Hz", "8000 Hz", "below")
    with pytest.raises(ValueError) as caught:
        check_number("span", np.timedelta64(5, "ms"), 0, 10)
    one_sentence(caught, "span: ")


def test_long_values_are_cut_short_in_messages():
    for value in (
        "x" * 10_000,
        list(range(10_000)),
        np.zeros((50, 50)),
        10**4000,
        10**6000,
        [[[[[[[[[1]]]]]]]]],
        "two\nlines",
    ):
        text = shown(value)
        assert len(text) < 120 and "\n" not in text
