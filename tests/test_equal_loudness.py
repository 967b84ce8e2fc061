"""The equal-loudness contours against the standard's own inverse formula and its published values."""

from __future__ import annotations

import math

import pytest
from conftest import one_sentence

from vocomp_lab.analysis.equal_loudness import equal_loudness_db

# ISO 226:2003, table 1 (frequency: exponent, transfer level, threshold), and the contour of 40 phon (value from memory).
TABLE = {
    50: (0.432, -15.9, 44.0, 77.78), 80: (0.387, -10.3, 31.5, 68.48), 100: (0.367, -8.1, 26.5, 64.37),
    125: (0.349, -6.2, 22.1, 60.59), 200: (0.315, -3.1, 14.4, 53.41), 500: (0.267, 0.0, 4.4, 43.05),
    1000: (0.250, 0.0, 2.4, 40.01),
}  # fmt: skip


def phon_of(spl_db, exponent, transfer_db, threshold_db):
    """Loudness level of a tone from its sound pressure level: ISO 226:2003, equation 2 (value from memory)."""
    power = [0.4 * 10 ** ((level + transfer_db) / 10 - 9) for level in (spl_db, threshold_db)]
    return 40 * math.log10(power[0] ** exponent - power[1] ** exponent + 0.005135) + 94


def test_the_contours_are_the_standards(deviation):
    off_db = [equal_loudness_db(freq_hz, 40) - row[3] for freq_hz, row in TABLE.items()]
    deviation("equal-loudness contour of 40 phon, 50 Hz to 1 kHz", "ISO 226:2003 (memory)", off_db, 0.02, "dB")
    for freq_hz, (*row, _) in TABLE.items():
        for phon in (20, 45, 60, 90):
            assert phon_of(equal_loudness_db(freq_hz, phon), *row) == pytest.approx(phon, abs=0.05), (freq_hz, phon)


def test_at_1_khz_the_level_is_the_loudness_level():
    assert [equal_loudness_db(1000, phon) for phon in (20, 60, 90)] == pytest.approx([20, 60, 90], abs=0.02)


def test_what_the_table_does_not_hold_is_refused():
    for arguments, field in (
        ((60, 40), "freq_hz:"),
        (("50", 40), "freq_hz:"),
        ((50, 19), "phon:"),
        ((50, 91), "phon:"),
    ):
        with pytest.raises(ValueError) as error:
            equal_loudness_db(*arguments)
        one_sentence(error, field)
