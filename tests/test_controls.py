"""Sliders and typed values."""

from __future__ import annotations

import math

import pytest
from conftest import one_sentence

from vocomp_lab.lessons.controls import CONTROLS, FIRST_SHOWN, Choice, Control, controls_for
from vocomp_lab.processors.compressor import Compressor

SLIDERS = [
    (f"{kind.__name__}.{control.field}", control)
    for kind, controls in CONTROLS.items()
    for control in controls
    if isinstance(control, Control)
]


def test_what_a_slider_stop_shows_is_what_it_sets():
    for name, control in SLIDERS:
        for place, stop in enumerate(control.stops()):
            assert control.read(control.text(stop)) == stop, name
            assert control.nearest(stop) == place, name


def test_stops_rise_from_end_to_end_and_a_slider_has_a_workable_number_of_them():
    for name, control in SLIDERS:
        stops = [stop for stop in control.stops() if stop is not None]
        assert stops[0] == control.low and stops[-1] == control.high, name
        assert all(a < b for a, b in zip(stops, stops[1:])), name
        assert 20 <= len(stops) <= 300, name


def test_a_logarithmic_slider_moves_by_about_equal_shares():
    for name, control in SLIDERS:
        if control.log:
            stops = [stop for stop in control.stops() if stop is not None]
            assert max(b / a for a, b in zip(stops, stops[1:])) < 1.35, name


def test_every_stop_of_a_compressor_is_a_legal_setting():
    for control in CONTROLS[Compressor]:
        values = control.stops() if isinstance(control, Control) else [value for _, value in control.options]
        for value in values:
            settings = {"threshold_db": -20, "ratio": 3, "attack_ms": 1, "release_ms": 80, control.field: value}
            if value == "decoupled":
                settings["topology"] = "feedforward"
            assert getattr(Compressor(**settings), control.field) == value


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("3", 3),
        ("3:1", 3),
        ("3 : 1", 3),
        (" 2,5 ", 2.5),
        ("∞", math.inf),
        ("inf", math.inf),
        ("∞:1", math.inf),
        ("1e1", 10),
        ("3 to 1", 3),
    ],
)
def test_a_ratio_may_be_typed_in_several_ways(text, value):
    ratio = next(control for control in CONTROLS[Compressor] if control.field == "ratio")
    assert ratio.read(text) == value


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1,200", 1200),
        ("1,200 ms", 1200),
        ("1,200.5", 1200.5),
        ("1,2", 1.2),
        ("12,5", 12.5),
        ("0,125", 0.125),
        ("1,2345", 1.2345),
        ("1.200", 1.2),
        ("1,2 s", 1200),
    ],
)
def test_a_comma_before_three_digits_is_one_of_thousands_and_any_other_a_decimal_comma(text, value):
    release = next(control for control in CONTROLS[Compressor] if control.field == "release_ms")
    assert release.read(text) == value


@pytest.mark.parametrize("text", ["1,200,5", "1,,200", "1.200,5", "1,20,300", ",200,300"])
def test_commas_that_could_mean_anything_are_refused(text):
    release = next(control for control in CONTROLS[Compressor] if control.field == "release_ms")
    with pytest.raises(ValueError) as error:
        release.read(text)
    one_sentence(error, "Release", repr(text))


@pytest.mark.parametrize(
    ("text", "value"), [("−18", -18), ("-18 dBFS", -18), ("-18dbfs", -18), ("-18 dB", -18), ("-18.25", -18.25)]
)
def test_a_level_may_be_typed_with_either_minus_and_its_unit(text, value):
    threshold = CONTROLS[Compressor][0]
    assert threshold.read(text) == value
    assert threshold.read(threshold.text(value)) == value


@pytest.mark.parametrize(
    ("field", "text", "value"),
    [("release_ms", "1 s", 1000), ("release_ms", "0.5s", 500), ("sidechain_highpass_hz", "0.2 kHz", 200)],
)
def test_neighbouring_units_are_understood(field, text, value):
    assert next(control for control in CONTROLS[Compressor] if control.field == field).read(text) == value


def test_a_level_above_full_scale_is_taken_for_a_forgotten_minus():
    for text in ("18", "18 dBFS"):
        with pytest.raises(ValueError) as error:
            CONTROLS[Compressor][0].read(text)
        one_sentence(error, "type −18 if you meant that")
    assert CONTROLS[Compressor][0].read("0") == 0


def test_every_control_says_what_it_does():
    for controls in CONTROLS.values():
        for control in controls:
            assert control.help.endswith(".") and len(control.help) > 15


@pytest.mark.parametrize("text", ["", "loud", "--3", "3:1", "3:2", "nan", "1 2", "-18 ms"])
def test_a_text_without_a_number_is_refused_in_one_sentence(text):
    with pytest.raises(ValueError) as error:
        CONTROLS[Compressor][0].read(text)
    one_sentence(error, "Threshold", repr(text.strip()))


def test_a_setting_that_can_be_off_says_so():
    corner = next(control for control in CONTROLS[Compressor] if control.field == "sidechain_highpass_hz")
    assert corner.text(None) == "off" and corner.read("off") is None and corner.nearest(None) == 0
    assert corner.stops()[corner.nearest(120)] == 120


@pytest.mark.parametrize("value", [1e-9, 1e12, math.inf])
def test_a_value_beyond_the_slider_is_shown_at_its_end(value):
    ratio = next(control for control in CONTROLS[Compressor] if control.field == "ratio")
    assert ratio.stops()[ratio.nearest(value)] in (ratio.low, ratio.high)


def test_every_control_is_a_field_of_its_processor():
    for kind, controls in CONTROLS.items():
        fields = set(kind.__dataclass_fields__)
        names = [control.field for control in controls]
        assert set(names) <= fields and len(names) == len(set(names))
        assert set(FIRST_SHOWN.get(kind, ())) <= set(names)
        assert all(len(control.options) > 1 for control in controls if isinstance(control, Choice))


def test_a_kind_without_controls_is_refused_in_one_sentence():
    with pytest.raises(ValueError) as error:
        controls_for(int)
    one_sentence(error, "processor", "int")
