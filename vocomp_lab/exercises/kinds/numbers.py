"""*Work it out* and *find it*: the answer is a number, or a few of them."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from vocomp_lab.exercises.tasks import MOST_VALUES, NOT_YET, RIGHT, Posed, Verdict, read_number
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
    extras : int
        How many numbers may lie outside all windows.
    """

    windows: tuple
    unit: str
    extras: int = 0

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
        if len(given) > MOST_VALUES:
            raise ValueError(f"{len(given)} numbers are too many; give {len(self.windows)}.")
        return [read_number(value) for value in given]

    def to_data(self, answer: list[float]) -> dict:
        return {"numbers": answer}

    def from_data(self, data) -> list[float]:
        if not isinstance(data["numbers"], list):
            raise ValueError("The numbers of this answer are not a list.")
        return self.read(data["numbers"])

    def _judge(self, numbers: list[float]) -> Verdict:
        found, extra = self._hits(numbers)
        if len(found) == len(self.windows) and extra <= self.extras:
            return Verdict(RIGHT, f"Found: {', '.join(found)}.")
        for name, factor in (("ms_for_seconds", 1e-3), ("seconds_for_ms", 1e3)):
            if self.unit == ("s" if factor < 1 else "ms"):
                scaled, _ = self._hits([factor * number for number in numbers])
                if len(scaled) > len(found):
                    return Verdict(NOT_YET, f"{len(found)} of {len(self.windows)} found.", name)
        says = f"{len(found)} of {len(self.windows)} found"
        says += f": {', '.join(found)}." if found else "."
        if extra:
            says += f" {extra} of your numbers {'is' if extra == 1 else 'are'} in none of the right places."
        return Verdict(NOT_YET, says)

    def _hits(self, numbers) -> tuple[list, int]:
        inside = [[low <= number <= high for low, high, _ in self.windows] for number in numbers]
        found = [label for place, (_, _, label) in enumerate(self.windows) if any(row[place] for row in inside)]
        return found, sum(not any(row) for row in inside)

    def key(self) -> list[float]:
        return [float((low + high) / 2) for low, high, _ in self.windows]
