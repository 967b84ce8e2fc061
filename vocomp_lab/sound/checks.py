"""One way to refuse a setting: one sentence with the field, the value and what is allowed."""

from __future__ import annotations

import math
import reprlib
from dataclasses import dataclass
from numbers import Real
from typing import ClassVar

import numpy as np

_SHORT = reprlib.Repr()
_SHORT.maxstring = _SHORT.maxother = 60


def shown(value) -> str:
    """`value` as a message quotes it: its repr on one line, with the middle left out if it is long."""
    try:
        text = _SHORT.repr(value)
    except ValueError:  # Python refuses to print whole numbers of several thousand digits
        text = f"a very long {type(value).__name__}"
    return " ".join(line.strip() for line in text.splitlines())


def check_number(field: str, value, low: float, high: float, unit: str = "", *, low_open: bool = False) -> float:
    """`value` as a float if it lies in the range, else a ValueError in one sentence.

    Parameters
    ----------
    field : str
        The setting's name, as the caller wrote it.
    value : number
        Whole or real, NumPy scalars included. Booleans, text and NaN are refused.
    low, high : float
        The allowed range, both ends included; `high` may be infinity.
    unit : str
        Written after the numbers in the message.
    low_open : bool
        Exclude `low` itself from the range.
    """
    number = math.nan
    if isinstance(value, Real) and not isinstance(value, bool):
        try:
            number = float(value)
        except (OverflowError, TypeError):  # whole numbers too large for a float, and NumPy's time spans
            pass
    if math.isnan(number) or not low <= number <= high or (low_open and number == low):
        unit = f" {unit}" if unit else ""
        above = "above" if low_open else "from"
        raise ValueError(
            f"{field}: {shown(value)} is not allowed; give a number {above} {low:g} to {_bound(high)}{unit}."
        )
    return number


def _bound(value: float) -> str:
    return "∞" if math.isinf(value) else f"{value:g}"


def check_whole(field: str, value, low: int, high: int) -> int:
    """`value` as an int if it is a whole number in the range, else a ValueError in one sentence."""
    number = check_number(field, value, low, high)
    if number != int(number):
        raise ValueError(f"{field}: {shown(value)} is not allowed; give a whole number from {low} to {high}.")
    return int(number)


def check_choice(field: str, value, choices) -> str:
    """`value` if it is one of `choices`, else a ValueError that lists them."""
    if not isinstance(value, str) or value not in choices:
        listed = ", ".join(repr(choice) for choice in choices)
        raise ValueError(f"{field}: {shown(value)} is not allowed; give one of {listed}.")
    return value


def check_below_nyquist(field: str, freq_hz: float, rate: int) -> None:
    """Refuse a frequency that a clip of this sample rate can't hold."""
    if freq_hz >= rate / 2:
        raise ValueError(
            f"{field}: {freq_hz:g} Hz is not allowed at a rate of {rate} Hz; "
            f"give a frequency below half of it, {rate / 2:g} Hz."
        )


@dataclass(frozen=True)
class Range:
    """The rule that a setting is a number in a range; see :func:`check_number`."""

    low: float
    high: float
    unit: str = ""
    low_open: bool = False

    def check(self, field: str, value) -> float:
        return check_number(field, value, self.low, self.high, self.unit, low_open=self.low_open)


@dataclass(frozen=True)
class Whole:
    """The rule that a setting is a whole number in a range."""

    low: int
    high: int

    def check(self, field: str, value) -> int:
        return check_whole(field, value, self.low, self.high)


@dataclass(frozen=True)
class Words:
    """The rule that a setting is one of some words."""

    words: tuple[str, ...]

    def check(self, field: str, value) -> str:
        return check_choice(field, value, self.words)


@dataclass(frozen=True)
class OrNone:
    """The rule that a setting may be off (None), and otherwise follows another rule."""

    rule: Range

    def check(self, field: str, value) -> float | None:
        return None if value is None else self.rule.check(field, value)


class Settings:
    """Base of the frozen dataclasses that hold settings: fields are checked and normalised when an object is made."""

    RULES: ClassVar[dict] = {}
    """The rule of each field, by its name. A class checks fields without a rule itself."""

    def __post_init__(self):
        self._keep(**{name: rule.check(name, getattr(self, name)) for name, rule in self.RULES.items()})

    def _keep(self, **fields) -> None:
        for name, value in fields.items():
            object.__setattr__(self, name, value)


def checked_active(active, shape: tuple[int, ...]) -> np.ndarray:
    """`active` as an array of bool of this shape; ValueError in one sentence if it is none."""
    active = np.asarray(active)
    if active.dtype != bool:
        raise ValueError(f"active: {active.dtype} values are not allowed; give True or False for every frame.")
    if active.shape != shape:
        raise ValueError(f"active: shape {active.shape} is not allowed; one value for each frame is, {shape}.")
    return active
