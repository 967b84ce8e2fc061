"""Numbers as people read them."""

import math

import pytest

from vocomp_lab.sound.text import clock, decibels, figure


@pytest.mark.parametrize(
    ("value", "options", "text"),
    [
        (-18, {}, "−18.0"),
        (-0.04, {}, "0.0"),
        (-0.04, {"sign": True}, "±0.0"),
        (2.25, {"digits": 2, "sign": True}, "+2.25"),
        (-math.inf, {}, "−∞"),
        (math.inf, {}, "∞"),
        (math.nan, {}, "–"),
    ],
)
def test_decibels(value, options, text):
    assert decibels(value, **options) == text


@pytest.mark.parametrize(
    ("value", "options", "text"),
    [
        (44_100, {"unit": "Hz"}, "44100 Hz"),
        (12_345.6, {}, "12346"),
        (-0.012345, {}, "−0.01235"),
        (2.50, {}, "2.5"),
        (100, {}, "100"),
        (0, {"unit": "dB"}, "0 dB"),
        (3e-7, {}, "3e−07"),
        (3e-7, {"most_decimals": 2}, "0"),
        (-0.001, {"most_decimals": 2}, "0"),
        (2.345, {"digits": 3, "most_decimals": 2}, "2.35"),
        (1.5e6, {}, "1.5e+06"),
        (math.nan, {}, "–"),
        (-math.inf, {"unit": "dBFS"}, "−∞ dBFS"),
    ],
)
def test_figures(value, options, text):
    assert figure(value, **options) == text


@pytest.mark.parametrize(
    ("seconds", "options", "text"),
    [
        (65.2, {}, "1:05"),
        (59.97, {"digits": 1}, "1:00.0"),
        (59.97, {"digits": 2}, "0:59.97"),
        (0, {}, "0:00"),
        (59.97, {"digits": 1, "hours": True}, "0:01:00.0"),
        (3_599.99, {"digits": 1, "hours": True}, "1:00:00.0"),
        (7_325, {"hours": True}, "2:02:05"),
    ],
)
def test_clock(seconds, options, text):
    assert clock(seconds, **options) == text
