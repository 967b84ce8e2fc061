"""*Work it out* and *find it*: the answer is a number, or a few of them."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from vocomp_lab.exercises.tasks import NOT_YET, RIGHT, Posed, Verdict, read_number
from vocomp_lab.sound.text import figure


@dataclass(frozen=True, kw_only=True)
class WorkOut(Posed):
    """*Work it out*: one number.

    Parameters
    ----------
    answer : float
    unit : str
    tolerance : float
        In the same unit; the learner is told.
    mistakes : dict of str to float
        The wrong answers that typical mistakes lead to. A wrong sign, and seconds for milliseconds, are watched for
        anyway.
    """

    answer: float
    unit: str
    tolerance: float
    mistakes: dict = field(default_factory=dict)

    label = "work it out"

    @property
    def asks(self) -> str:
        """The form of the answer."""
        unit = f" in {self.unit}" if self.unit else ""
        return f"Answer: a number{unit}, within {figure(self.tolerance)}."

    def read(self, given) -> float:
        return read_number(given)

    def to_data(self, answer: float) -> dict:
        return {"number": answer}

    def from_data(self, data) -> float:
        return read_number(data["number"])

    def _judge(self, number: float) -> Verdict:
        if abs(number - self.answer) <= self.tolerance * (1 + 1e-9):
            return Verdict(RIGHT, f"{figure(number, self.unit)} is right.")
        for name, wrong in self._wrong_answers().items():
            if abs(number - wrong) <= min(self.tolerance, 0.02 * abs(wrong) or self.tolerance):
                return Verdict(NOT_YET, f"{figure(number, self.unit)} is not it.", name)
        return Verdict(NOT_YET, f"{figure(number, self.unit)} is too {'high' if number > self.answer else 'low'}.")

    def _wrong_answers(self) -> dict:
        wrong = dict(self.mistakes)
        if self.unit == "ms":
            wrong["seconds_for_ms"] = self.answer / 1000
        if self.unit == "s":
            wrong["ms_for_seconds"] = self.answer * 1000
        wrong.setdefault("sign", -self.answer)
        return {name: value for name, value in wrong.items() if abs(value - self.answer) > self.tolerance}

    def key(self) -> float:
        return float(self.answer)


@dataclass(frozen=True, kw_only=True)
class FindIt(Posed):
    """*Find it*: numbers that must each fall into one of some windows, in any order.

    Parameters
    ----------
    windows : sequence of (low, high, label)
        Both ends included. Every window has to be hit.
    unit : str

    Notes
    -----
    More numbers than windows are not read: a list of guesses finds anything.
    """

    windows: tuple
    unit: str

    label = "find it"

    @property
    def asks(self) -> str:
        """The form of the answer."""
        if len(self.windows) == 1:
            return f"Answer: a number in {self.unit}."
        return f"Answer: {len(self.windows)} numbers in {self.unit}, as a list."

    def read(self, given) -> list[float]:
        if isinstance(given, np.ndarray) and given.ndim == 1:
            given = given.tolist()
        if not isinstance(given, (list, tuple)):
            given = [given]
        if not given:
            raise ValueError("The list is empty; give at least one number.")
        if len(given) > len(self.windows):
            wanted = "one number" if len(self.windows) == 1 else f"{len(self.windows)} numbers"
            raise ValueError(f"{len(given)} numbers are more than the task asks for; give {wanted}.")
        return [read_number(value) for value in given]

    def to_data(self, answer: list[float]) -> dict:
        return {"numbers": answer}

    def from_data(self, data) -> list[float]:
        if not isinstance(data["numbers"], list):
            raise ValueError("The numbers of this answer are not a list.")
        return self.read(data["numbers"])

    def _judge(self, numbers: list[float]) -> Verdict:
        hit, beside = self._hits(numbers)
        found = [self.windows[place][2] for place in sorted(hit)]
        if len(hit) == len(self.windows):
            return Verdict(RIGHT, f"Found: {', '.join(found)}.")
        says = f"{len(hit)} of {len(self.windows)} found"
        mistake = self._other_unit(numbers)
        if mistake:
            return Verdict(NOT_YET, f"{says}.", mistake)
        says += f": {', '.join(found)}." if found else "."
        missing = [window for place, window in enumerate(self.windows) if place not in hit]
        if beside:
            says += f" {'; '.join(f'{figure(number, self.unit)} {self._where(number, missing)}' for number in beside)}."
        elif len(numbers) == len(self.windows):
            says += " Several of your numbers are in the same place."
        return Verdict(NOT_YET, says)

    def _where(self, number: float, missing) -> str:
        """Which way a number is off, by the place that is nearest to it and not found yet."""
        if self.unit == "s" and self.clip and (number < 0 or number > self._lasts_s(number)):
            return "is outside the sound"
        low, _, _ = min(missing, key=lambda window: max(window[0] - number, number - window[1]))
        early, late = ("too early", "too late") if self.unit == "s" else ("too low", "too high")
        return f"is {early if number < low else late}"

    def _lasts_s(self, number: float) -> float:
        """How long the sound lasts; made only if this number is behind everything that is to be found."""
        return self.clip().duration_s if number > max(high for _, high, _ in self.windows) else math.inf

    def _other_unit(self, numbers) -> str | None:
        """Seconds for milliseconds or the other way round: nothing else makes all of the numbers right."""
        for name, unit, factor in (("ms_for_seconds", "s", 1e-3), ("seconds_for_ms", "ms", 1e3)):
            hit, beside = self._hits([factor * number for number in numbers])
            if self.unit == unit and len(hit) == len(numbers) and not beside:
                # A time within the sound, or a little behind it, was meant in seconds.
                behind_s = 3 * max(high for _, high, _ in self.windows)
                return None if unit == "s" and max(numbers) <= behind_s else name
        return None

    def _hits(self, numbers) -> tuple[set, list]:
        """Which windows are hit, and the numbers that hit none."""
        inside = [[low <= number <= high for low, high, _ in self.windows] for number in numbers]
        hit = {place for place in range(len(self.windows)) if any(row[place] for row in inside)}
        return hit, [number for number, row in zip(numbers, inside) if not any(row)]

    def key(self) -> list[float]:
        return [float((low + high) / 2) for low, high, _ in self.windows]
