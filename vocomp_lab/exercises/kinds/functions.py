"""*Write it*: the answer is a Python function, run in the box on inputs that the learner doesn't see."""

from __future__ import annotations

import ast
import inspect
import re
import textwrap
from dataclasses import dataclass, field
from numbers import Real
from typing import Callable

import numpy as np

from vocomp_lab.exercises.box import LONGEST_SOURCE, run_in_box
from vocomp_lab.exercises.tasks import NOT_YET, RIGHT, UNREAD, Posed, Verdict, kind_of
from vocomp_lab.sound.text import figure

# What the parser raises for text that is not Python.
_NOT_PYTHON = (SyntaxError, ValueError, RecursionError, MemoryError)


@dataclass(frozen=True, kw_only=True)
class WriteIt(Posed):
    """*Write it*: a function that is run on hidden inputs, in the box.

    Parameters
    ----------
    start : str
        The skeleton in the notebook; the name of its first function is the name that is asked for.
    calls : tuple of tuples
        Hidden inputs: positional arguments, numbers, lists or arrays.
    right : callable
        Gives the right output for the inputs of a call.
    tolerance : float
    model : str
        Source of a right answer, written as a learner would.
    mistakes : dict of str to callable
        Functions like `right` that make a typical mistake.
    """

    start: str
    calls: tuple
    right: Callable
    tolerance: float
    model: str
    mistakes: dict = field(default_factory=dict)

    label = "write it"
    begin = "Write the function, run its cell, then this one."

    @property
    def name(self) -> str:
        """The function's name."""
        return next(node.name for node in ast.parse(self.start).body if isinstance(node, ast.FunctionDef))

    @property
    def asks(self) -> str:
        """The form of the answer."""
        return (
            f"Answer: the function `{self.name}`. It is run on {len(self.calls)} inputs that you don't see, and must be "
            f"right within {figure(self.tolerance)}."
        )

    def untouched(self, given) -> bool:
        if given is None:
            return True
        try:
            return _shape(self.read(given)) == _shape(self.start)
        except ValueError:
            return False

    def read(self, given) -> str:
        if isinstance(given, str):
            source = given
        elif inspect.isfunction(given) or hasattr(given, "__wrapped__") and callable(given):
            if hasattr(given, "__wrapped__") or "<locals>" in given.__qualname__:
                raise ValueError(
                    f"This function went through a decorator, or was made by another function; give a plain `def {self.name}(…):`."
                )
            try:
                source = inspect.getsource(given)
            except (OSError, TypeError):
                raise ValueError("The text of this function can't be found; run its cell again.") from None
        else:
            raise ValueError(
                f"{kind_of(given)} is not what is asked for; give the function `{self.name}` itself, without brackets."
            )
        source = textwrap.dedent(source).strip() + "\n"
        if source.startswith("@"):  # what a decorator does was written elsewhere, and it doesn't come along
            raise ValueError(
                f"The function has a decorator ({source.split()[0][:40]}); take that line out and run its cell again."
            )
        if len(source) > LONGEST_SOURCE:
            raise ValueError(f"The function has {len(source):,} characters; at most {LONGEST_SOURCE:,} are allowed.")
        if any("\ud800" <= letter <= "\udfff" for letter in source):
            raise ValueError("The function's text holds characters that are not text.")
        if "lambda" in source and not _can_stand_alone(source):
            raise ValueError(f"A lambda is not what is asked for; write `def {self.name}(…):`.")
        return source

    def to_data(self, answer: str) -> dict:
        return {"source": answer}

    def from_data(self, data) -> str:
        if not isinstance(data["source"], str):
            raise ValueError("The source of this answer is not text.")
        return self.read(data["source"])

    def _judge(self, source: str) -> Verdict:
        result = run_in_box(source, self.name, self.calls)
        if result.outputs is None:
            return Verdict(UNREAD, result.trouble)
        wanted = [np.asarray(self.right(*call), dtype=float) for call in self.calls]
        try:
            outputs = [np.asarray(output, dtype=float) for output in result.outputs]
        except ValueError:
            return Verdict(
                UNREAD, f"`{self.name}` returns lists of different lengths in a list; return one number each."
            )
        for output, want in zip(outputs, wanted):
            if output.shape != want.shape:
                return Verdict(UNREAD, f"`{self.name}` returns {_form(output)}; it should return {_form(want)}.")
        good = [self._same(output, want) for output, want in zip(outputs, wanted)]
        if all(good):
            return Verdict(RIGHT, f"Right on all {len(wanted)} inputs.")
        says = f"Right on {sum(good)} of {len(good)} inputs. {self._shown(good.index(False), outputs, wanted)}"
        for name, wrong in self.mistakes.items():
            if all(
                self._same(output, np.asarray(wrong(*call), dtype=float)) for output, call in zip(outputs, self.calls)
            ):
                return Verdict(NOT_YET, says, name)
        return Verdict(NOT_YET, says)

    def _same(self, output, want) -> bool:
        return output.shape == want.shape and bool(np.all((np.abs(output - want) <= self.tolerance) | (output == want)))

    def _shown(self, place, outputs, wanted) -> str:
        """The first input that goes wrong, if it is short enough to read."""
        output, want = outputs[place], wanted[place]
        if want.ndim:
            step = int(np.flatnonzero(~(np.abs(output - want) <= self.tolerance))[0])
            came, asked = figure(output.ravel()[step]), figure(want.ravel()[step])
            return f"In one of the others, number {step} of the list is {came} and should be {asked}."
        inputs = ", ".join(figure(value) if isinstance(value, Real) else "…" for value in self.calls[place])
        return f"For ({inputs}) it returns {figure(float(output))} and should return {figure(float(want))}."

    def key(self) -> str:
        return self.read(self.model)


def _can_stand_alone(source: str) -> bool:
    """Whether a text defines or imports something itself, rather than being the line that a lambda was taken from."""
    try:
        body = ast.parse(source).body
    except _NOT_PYTHON:
        return bool(re.match(r"def|import|from|@", source))
    return any(isinstance(node, (ast.FunctionDef, ast.Import, ast.ImportFrom)) for node in body)


def _form(array) -> str:
    if array.ndim > 1:
        return f"an array of shape {array.shape}"
    return f"a list of {len(array)}" if array.ndim else "one number"


def _shape(source: str) -> str:
    """Source without layout and comments, for comparing."""
    try:
        return ast.dump(ast.parse(source))
    except _NOT_PYTHON:
        return source
