"""Numbers as people read them, with a true minus sign; and text from strangers, fit to be printed anywhere."""

from __future__ import annotations

import math
from numbers import Real

from vocomp_lab.sound.checks import check_whole, shown


def minus(text: str) -> str:
    """`text` with a true minus sign for every hyphen."""
    return text.replace("-", "−")


def decibels(value: float, digits: int = 1, *, sign: bool = False) -> str:
    """A level or gain with a fixed number of decimals: "−∞" for silence, "–" where there is no number, never "−0.0".

    Parameters
    ----------
    value : float
    digits : int
        Decimals.
    sign : bool
        Write the plus of a positive number, too, and "±" before zero.
    """
    if not isinstance(value, Real) or isinstance(value, bool):
        raise ValueError(f"value: {shown(value)} is not allowed; give a number.")
    digits = check_whole("digits", digits, 0, 15)
    if math.isnan(value):
        return "–"
    if math.isinf(value):
        return "∞" if value > 0 else "−∞"
    text = f"{value:+.{digits}f}" if sign else f"{value:.{digits}f}"
    if float(text) == 0:
        text = ("±" if sign else "") + text.lstrip("+-")
    return minus(text)


def figure(value: float, unit: str = "", digits: int = 4, most_decimals: int | None = None) -> str:
    """A number of any size and its unit, without trailing zeros.

    Parameters
    ----------
    value : float
    unit : str
        Written behind the number; none if empty.
    digits : int
        Significant figures at most. Whole numbers below a million are always written in full.
    most_decimals : int, optional
        Never more decimals than this.
    """
    if not math.isfinite(value):
        text = decibels(value)
    elif abs(value) >= 1e6 or (most_decimals is None and 0 < abs(value) < 1e-4):
        text = f"{value:.{digits}g}"
    else:
        decimals = max(digits - 1 - math.floor(math.log10(abs(value))), 0) if value else 0
        decimals = decimals if most_decimals is None else min(decimals, most_decimals)
        text = decibels(value, decimals)
        text = text.rstrip("0").rstrip(".") if "." in text else text
    return minus(f"{text} {unit}".rstrip())


def half_up(value: float, digits: int = 0) -> float:
    """A number with so many decimals, rounded as people do: 6.25 becomes 6.3. A hair less than a half counts as one, since
    0.145 is a hair less than that in the computer.
    """
    scale = 10**digits
    return math.floor(value * scale + 0.5 + 1e-9) / scale


def percent(share: float) -> str:
    """A share, 0 to 1, as a whole percentage: 0.125 becomes "13 %"."""
    return f"{half_up(100 * share):.0f} %"


def clock(seconds: float, digits: int = 0, *, hours: bool = False) -> str:
    """A time as minutes and seconds, such as "1:05" or "0:59.97"; with `hours` as "0:01:05"."""
    minutes, rest = divmod(round(seconds, digits), 60)
    rest_text = f"{rest:0{digits + 3 if digits else 2}.{digits}f}"
    if hours:
        return f"{minutes // 60:.0f}:{minutes % 60:02.0f}:{rest_text}"
    return f"{minutes:.0f}:{rest_text}"


def printable(text: str, keep: str = "") -> str:
    """`text` with an escape such as ``\\x1b`` for everything that can't be printed, so that it takes one line.

    A stranger's text could otherwise clear a terminal, forge a line of a report, or hold half a character that no file
    takes.

    Parameters
    ----------
    text : str
    keep : str
        Characters to leave as they are, such as line feeds.
    """
    return "".join(letter if letter.isprintable() or letter in keep else _escaped(letter) for letter in text)


def _escaped(letter: str) -> str:
    if "\udc80" <= letter <= "\udcff":  # how Python writes a byte of a file's name that it can't decode
        return f"\\x{ord(letter) - 0xDC00:02x}"
    return letter.encode("unicode_escape").decode()
