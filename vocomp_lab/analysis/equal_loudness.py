"""How the ear's sensitivity to low tones depends on their level: the equal-loudness contours."""

from __future__ import annotations

import math

from vocomp_lab.sound.checks import check_number

# ISO 226:2003, table 1, the rows from 50 Hz to 1 kHz that the lessons need: the exponent of loudness perception, the
# transfer function's level relative to 1 kHz (dB), and the threshold of hearing (dB SPL).
_TABLE = {
    50: (0.432, -15.9, 44.0),
    80: (0.387, -10.3, 31.5),
    100: (0.367, -8.1, 26.5),
    125: (0.349, -6.2, 22.1),
    200: (0.315, -3.1, 14.4),
    500: (0.267, 0.0, 4.4),
    1000: (0.250, 0.0, 2.4),
}


def equal_loudness_db(freq_hz: float, phon: float = 60.0) -> float:
    """Sound pressure level that makes a tone as loud as one at 1 kHz.

    Parameters
    ----------
    freq_hz : float
        50, 80, 100, 125, 200, 500 or 1,000 Hz; the standard gives no value in between.
    phon : float
        Level of the tone at 1 kHz that it is to match, 20 to 90 dB SPL. The default is about that of someone talking
        near by (value from memory).

    Returns
    -------
    float
        dB SPL. Less `phon`, it is how far the ear turns the tone down, compared with 1 kHz.

    Raises
    ------
    ValueError
        If the frequency is not in the table, or the level is out of its range.

    Notes
    -----
    ISO 226:2003, equation 1 and table 1: an average of people of normal hearing, for pure tones from the front. Noise,
    and tones with a voice above them, are heard differently.

    Examples
    --------
    >>> from vocomp_lab.analysis.equal_loudness import equal_loudness_db
    >>> round(equal_loudness_db(50, 60)), round(equal_loudness_db(1000, 60))
    (90, 60)
    """
    phon = check_number("phon", phon, 20, 90, "phon")
    freq_hz = check_number("freq_hz", freq_hz, 50, 1_000, "Hz")
    if freq_hz not in _TABLE:
        raise ValueError(f"freq_hz: {freq_hz:g} is not in the table; give one of {', '.join(map(str, _TABLE))} Hz.")
    exponent, transfer_db, threshold_db = _TABLE[freq_hz]
    audible = (0.4 * 10 ** ((threshold_db + transfer_db) / 10 - 9)) ** exponent
    felt = 4.47e-3 * (10 ** (0.025 * phon) - 1.15) + audible
    return 10 / exponent * math.log10(felt) - transfer_db + 94
