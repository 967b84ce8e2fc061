"""One way to refuse a setting, or what a function is given: one sentence with the field, the value and what is allowed.

A number, a word or an object follows a rule (:class:`Range`, :class:`Words`, :class:`Of`, …). Settings name the rules of
their fields in ``RULES``, and public functions those of their parameters in :func:`asks`, so everything is checked once,
at the edge.
"""

from __future__ import annotations

import functools
import inspect
import math
import reprlib
from dataclasses import dataclass
from numbers import Real
from typing import Callable, ClassVar

import numpy as np

_SHORT = reprlib.Repr()
_SHORT.maxstring = _SHORT.maxother = 60
_SHORT_ARRAY, _SHORT_VALUE, _LONG_LIST = 6, 20, 160


def shown(value) -> str:
    """`value` as a message quotes it: its repr on one line, with the middle left out if it is long."""
    if isinstance(value, np.ndarray) and value.size > _SHORT_ARRAY:
        return f"an array of shape {value.shape}"
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
        raise ValueError(
            f"{field}: {shown(value)} is not allowed; give a number {_from_to(low, high, unit, low_open)}."
        )
    return number


def _from_to(low: float, high: float, unit: str, low_open: bool = False) -> str:
    unit = f" {unit}" if unit else ""
    return f"{'above' if low_open else 'from'} {_bound(low)} to {_bound(high)}{unit}"


def _bound(value: float) -> str:
    return ("−∞" if value < 0 else "∞") if math.isinf(value) else f"{value:g}"


def as_numbers(field: str, values) -> np.ndarray:
    """`values` as an array of float64, not copied if it is one; ValueError in one sentence if they aren't real numbers."""
    try:
        array = np.asarray(values)
        if array.dtype.kind in "iuf":
            return array.astype(np.float64, copy=False)
        if array.ndim == 0 and isinstance(values, Real) and not isinstance(values, (bool, np.generic)):
            return np.asarray(float(values))
    except (TypeError, ValueError, OverflowError):  # lists of unequal length, numbers too large for a float
        pass
    raise ValueError(f"{field}: {shown(values)} is not allowed; give a number, or an array of numbers.")


def check_numbers(
    field: str,
    values,
    low: float = -math.inf,
    high: float = math.inf,
    unit: str = "",
    *,
    dims: int | None = None,
    low_open: bool = False,
    nan: bool = False,
) -> np.ndarray:
    """`values` as an array of float64 if they are numbers in the range, else a ValueError in one sentence.

    Parameters
    ----------
    field, low, high, unit, low_open
        As for :func:`check_number`, of every number.
    values : float or array_like
    dims : int, optional
        How many dimensions the array must have.
    nan : bool
        Whether NaN may stand for "nothing here".
    """
    numbers = as_numbers(field, values)
    if dims is not None and numbers.ndim != dims:
        row = "numbers in one row, shape (n,)" if dims == 1 else f"an array of {dims} dimensions"
        raise ValueError(f"{field}: shape {numbers.shape} is not allowed; give {row}.")
    if numbers.size:
        lowest, highest = (np.fmin, np.fmax) if nan else (np.minimum, np.maximum)
        lowest, highest = float(lowest.reduce(numbers, axis=None)), float(highest.reduce(numbers, axis=None))
        if nan and math.isnan(lowest):  # nothing but NaN
            return numbers
        too_low = not low <= lowest or (low_open and lowest == low)
        if too_low or not highest <= high:
            bad = lowest if too_low else highest
            told = "NaN" if math.isnan(bad) else f"{_bound(bad)} {unit}".rstrip()
            raise ValueError(f"{field}: {told} is not allowed; give numbers {_from_to(low, high, unit, low_open)}.")
    return numbers


def check_whole(field: str, value, low: int, high: int) -> int:
    """`value` as an int if it is a whole number in the range, else a ValueError in one sentence."""
    number = check_number(field, value, low, high)
    if number != int(number):
        raise ValueError(f"{field}: {shown(value)} is not allowed; give a whole number from {low} to {high}.")
    return int(number)


def check_choice(field: str, value, choices) -> str:
    """`value` if it is one of `choices`, else a ValueError that lists them."""
    if not isinstance(value, str) or value not in choices:
        listed = ", ".join(repr(choice) for choice in choices) or "nothing, for there is none"
        told = shown(value)
        if len(listed) > _LONG_LIST:  # the sentence stays short
            told = told if len(told) <= _SHORT_VALUE else f"{told[:_SHORT_VALUE]}…"
        raise ValueError(f"{field}: {told} is not allowed; give one of {listed}.")
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

    rule: object

    def check(self, field: str, value):
        return None if value is None else self.rule.check(field, value)


@dataclass(frozen=True)
class Numbers:
    """The rule that something is an array of numbers in a range; see :func:`check_numbers`."""

    low: float = -math.inf
    high: float = math.inf
    unit: str = ""
    low_open: bool = False
    dims: int | None = None
    nan: bool = False

    def check(self, field: str, values) -> np.ndarray | np.float64:
        numbers = check_numbers(
            field, values, self.low, self.high, self.unit, dims=self.dims, low_open=self.low_open, nan=self.nan
        )
        return numbers[()]  # a number stays one: an array of no dimensions is none


@dataclass(frozen=True)
class Of:
    """The rule that something is an object of one of some classes; `allowed` says which, in words."""

    kinds: type | tuple[type, ...]
    allowed: str

    def check(self, field: str, value):
        if not isinstance(value, self.kinds):
            raise ValueError(f"{field}: {_kind(value)} is not allowed; give {self.allowed}.")
        return value


@dataclass(frozen=True)
class Having:
    """The rule that something is an object with some attributes; `allowed` says what that is, in words."""

    names: tuple[str, ...]
    allowed: str

    def check(self, field: str, value):
        if isinstance(value, type) or not all(hasattr(value, name) for name in self.names):
            raise ValueError(f"{field}: {_kind(value)} is not allowed; give {self.allowed}.")
        return value


def listed(field: str, values, allowed: str) -> list:
    """A sequence as a list; a ValueError in one sentence if it is none, or a text or dict."""
    if not isinstance(values, (str, bytes, dict)):
        try:
            return list(values)
        except TypeError:
            pass
    raise ValueError(f"{field}: {_kind(values)} is not allowed; give {allowed}.")


@dataclass(frozen=True)
class Each:
    """The rule that something is a list, or another sequence, and that each of it follows a rule."""

    rule: object
    allowed: str

    def check(self, field: str, values) -> list:
        return [self.rule.check(field, value) for value in listed(field, values, self.allowed)]


@dataclass(frozen=True)
class Named:
    """The rule that something is a dict with names as keys, of which there is one at least, and that each value follows a
    rule."""

    rule: object

    def check(self, field: str, values) -> dict:
        if isinstance(values, dict) and not values:
            raise ValueError(f"{field}: there are none; give at least one, by its name.")
        if not isinstance(values, dict) or not all(isinstance(name, str) for name in values):
            raise ValueError(
                f"{field}: {_kind(values)} is not allowed; give a dict with a name for each, and one at least."
            )
        return {name: self.rule.check(field, value) for name, value in values.items()}


@dataclass(frozen=True)
class Spans:
    """The rule that something is a list of stretches of time, each a start and an end in seconds."""

    allowed: str = "a list of (start, end) in seconds"

    def check(self, field: str, values) -> list[tuple[float, float]]:
        return [self._span(field, span) for span in listed(field, values, self.allowed)]

    def _span(self, field, span):
        try:
            start_s, end_s = span
        except (TypeError, ValueError):
            raise ValueError(f"{field}: {shown(span)} is not allowed; give {self.allowed}.") from None
        start_s = check_number(field, start_s, -MOST_SECONDS, MOST_SECONDS, "s")
        end_s = check_number(field, end_s, -MOST_SECONDS, MOST_SECONDS, "s")
        if end_s < start_s:
            raise ValueError(f"{field}: {shown(span)} is not allowed; an end can't lie before its start.")
        return start_s, end_s


@dataclass(frozen=True)
class Span:
    """The rule that something is one stretch of time, a start and an end in seconds."""

    def check(self, field: str, value) -> tuple[float, float]:
        return Spans("a pair (start, end) in seconds").check(field, [value])[0]


@dataclass(frozen=True)
class Flag:
    """The rule that something is True or False."""

    def check(self, field: str, value) -> bool:
        if not isinstance(value, (bool, np.bool_)):
            raise ValueError(f"{field}: {shown(value)} is not allowed; give True or False.")
        return bool(value)


@dataclass(frozen=True)
class By:
    """The rule that a function of the value alone checks it."""

    function: Callable

    def check(self, field: str, value):
        return self.function(value)


MOST_SECONDS = 1e6
"""No time is larger: eleven days."""
DECIBELS = Range(-1_000, 1_000, "dB")
"""Any level, gain or difference that makes sense, and more."""
REDUCTION = Numbers(0, 1_000, "dB", dims=1)
"""A gain reduction, frame by frame."""


def _kind(value) -> str:
    """What a message calls a value that is another kind of thing altogether."""
    plain = value is None or isinstance(value, (str, int, float, bytes, bool))
    return shown(value) if plain else f"an object of the kind {type(value).__name__}"


def asks(**rules):
    """Make a public function check its arguments before anything else: each rule by the name of its parameter.

    What a rule returns is what the function gets; a default is taken as it is. Other rules, such as that two arguments fit
    each other, the function holds itself.
    """

    def checking(function):
        places = list(inspect.signature(function).parameters)
        by_place = [(places.index(name), name, rule) for name, rule in rules.items()]

        @functools.wraps(function)
        def checked(*args, **kwargs):
            given = list(args)
            for place, name, rule in by_place:
                if place < len(given):
                    given[place] = rule.check(name, given[place])
                elif name in kwargs:
                    kwargs[name] = rule.check(name, kwargs[name])
            return function(*given, **kwargs)

        return checked

    return checking


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
    try:
        active = np.asarray(active)
    except ValueError:  # lists of unequal length
        active = np.array(None)
    if active.dtype != bool:
        raise ValueError(f"active: {active.dtype} values are not allowed; give True or False for every frame.")
    if active.shape != shape:
        raise ValueError(f"active: shape {active.shape} is not allowed; one value for each frame is, {shape}.")
    return active
