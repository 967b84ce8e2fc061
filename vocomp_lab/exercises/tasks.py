"""What every task has: a title and points, how an answer is received and judged, and the verdict.

The kinds of task are in :mod:`vocomp_lab.exercises.kinds`. Each is a frozen dataclass on :class:`Posed`, made for one
learner. It has

* ``prompt``, ``hints`` (up to two) and ``solution``: text with `` `code` `` and ``**bold**`` marked;
* ``clip``: a function that makes the task's sound, if it has one; called only when needed;
* ``read(given)``: the checked answer (a number, a processor, a Chain, …), or a ValueError of one sentence;
* ``to_data(answer)`` and ``from_data(data)``: the answer as JSON data for the sheet, and back, checked again;
* ``judge(answer)``: a :class:`Verdict`. The notebook and the marker call the same one;
* ``key()``: an answer that is right.
"""

from __future__ import annotations

import hashlib
import json
import math
import textwrap
from dataclasses import dataclass
from functools import cached_property
from numbers import Real
from typing import Callable

import numpy as np

from vocomp_lab.exercises.learners import Draw
from vocomp_lab.exercises.mistakes import MISTAKES
from vocomp_lab.processors.chain import Chain
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.checks import shown
from vocomp_lab.sound.text import printable

RIGHT, NOT_YET, UNREAD = "right", "not yet", "can't be read"
POSED_ANEW = "posed anew"
"""The status of an answer to a task that this version of the workbook poses with other words or numbers."""
MOST_HINTS = 2
MOST_VALUES = 200
"""The most numbers, or rounds of listening, that one answer may hold."""
_LONGEST_SETTINGS = 30_000


@dataclass(frozen=True)
class Verdict:
    """The outcome of an answer.

    Attributes
    ----------
    status : str
        ``RIGHT``, ``NOT_YET``, ``UNREAD`` or ``POSED_ANEW``.
    says : str
        What was measured, and what was wanted.
    mistake : str or None
        A name from ``MISTAKES`` if a typical mistake was recognised.
    """

    status: str
    says: str
    mistake: str | None = None

    @property
    def text(self) -> str:
        """The sentence, followed by the one about the mistake."""
        return f"{self.says} {MISTAKES[self.mistake].says}" if self.mistake else self.says


@dataclass(frozen=True)
class Task:
    """A task of a homework, before it is posed to a learner.

    Parameters
    ----------
    id : str
        Names the task in the answer sheet for ever: once handed out, it keeps its meaning.
    title : str
    pose : callable
        Makes the task for one learner's :class:`~vocomp_lab.exercises.learners.Draw`; returns one of the kinds.
    points : int
    """

    id: str
    title: str
    pose: Callable[[Draw], "Posed"]
    points: int = 1

    def __post_init__(self):
        if not self.id.isidentifier() or not self.title or not 1 <= self.points <= 10:
            raise ValueError(
                f"id: {self.id!r} with {self.points} points is not allowed; give a Python name, a title, "
                f"1 to 10 points."
            )


@dataclass(frozen=True, kw_only=True)
class Posed:
    """What all kinds share; see the module's docstring."""

    prompt: str
    hints: tuple[str, ...] = ()
    solution: str = ""
    clip: Callable[[], Clip] | None = None

    begin = "Put your answer in and run this cell."

    def __post_init__(self):
        if len(self.hints) > MOST_HINTS:
            raise ValueError(f"hints: {len(self.hints)} are not allowed; give at most {MOST_HINTS}.")
        if not self.solution:
            raise ValueError("solution: it is missing; every task has a worked solution.")
        unknown = [name for name in self.mistake_names() if name not in MISTAKES]
        if unknown:
            raise ValueError(f"mistakes: {unknown[0]!r} is unknown; list it in MISTAKES.")

    def mistake_names(self) -> tuple[str, ...]:
        """The mistakes that this task lists."""
        return tuple(getattr(self, "mistakes", {}))

    def untouched(self, given) -> bool:
        """Whether this is what the notebook held from the start, and so not a try."""
        return given is None

    def receive(self, given):
        """The answer in whatever was given; None if that is not a try.

        Raises
        ------
        ValueError
            In one sentence, for anything that is not an answer to this task, however odd the object.
        """
        try:
            return None if self.untouched(given) else self.read(given)
        except (ValueError, RecursionError) as error:
            raise ValueError(one_sentence(error)) from None
        except Exception as error:  # an object of the learner's own may raise anything when it is looked at
            raise ValueError(
                f"{kind_of(given)} can't be read as an answer to this task ({type(error).__name__})."
            ) from None

    def judge(self, answer) -> Verdict:
        """The verdict on an answer that :meth:`read` or :meth:`from_data` returned."""
        try:
            return self._judge(answer)
        except (ValueError, TypeError, OverflowError, RecursionError) as error:
            return Verdict(UNREAD, one_sentence(error))

    def judge_data(self, data) -> Verdict:
        """The verdict on data from an answer sheet, which anybody may have written."""
        if not isinstance(data, dict):
            return Verdict(UNREAD, "This is not an answer to this task.")
        try:
            answer = self.from_data(data)
        except KeyError:
            return Verdict(UNREAD, f"This is not an answer to a task of the kind “{self.label}”.")
        except (ValueError, TypeError, OverflowError, RecursionError) as error:
            return Verdict(UNREAD, one_sentence(error))
        return self.judge(answer)

    def judge_entry(self, data, posed: str | None) -> Verdict:
        """The verdict on an answer from a sheet that also says what was posed.

        Parameters
        ----------
        data : object
            For :meth:`judge_data`.
        posed : str or None
            The :attr:`digest` of the task that was answered; None if the sheet doesn't say.

        Notes
        -----
        What is right counts, whatever was posed. What isn't was perhaps right for the task as it was, so it is not called
        wrong.
        """
        verdict = self.judge_data(data)
        if verdict.status == RIGHT or posed in (None, self.digest):
            return verdict
        return Verdict(
            POSED_ANEW, "Not judged: this task was answered when the workbook posed it with other words or numbers."
        )

    @cached_property
    def digest(self) -> str:
        """What is posed, in 16 hexadecimal digits: the prompt, what is asked for, the numbers, and the sound that a setting
        is measured on, so that a sheet can say which task it answers.

        Computed numbers are rounded, since another computer may get another last digit.
        """
        parts = [" ".join(self.prompt.split()), " ".join(getattr(self, "asks", "").split())]
        parts += [_rounded(getattr(self, name, None)) for name in ("answer", "tolerance", "windows", "rounds")]
        if hasattr(self, "candidates") and self.clip is not None:
            parts.append(_outline(self.clip()))
        return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:16]


def _rounded(value):
    """Numbers to four figures, at any depth of lists; anything else as its text."""
    if isinstance(value, (list, tuple)):
        return [_rounded(part) for part in value]
    return f"{value:.4g}" if isinstance(value, Real) else str(value)


def _outline(clip: Clip) -> list:
    """A clip's rate, length, and level in sixteen equal parts, to 0.1 dB."""
    mono = clip.samples if clip.samples.ndim == 1 else clip.samples.mean(axis=1)
    power = [float(np.mean(part**2)) if len(part) else 0.0 for part in np.array_split(mono, 16)]
    return [clip.rate, len(mono), *(f"{10 * math.log10(max(value, 1e-8)):.1f}" for value in power)]


def one_sentence(error) -> str:
    """An error's message as one sentence on one line."""
    text = printable(" ".join(str(error).split())[:250]) or type(error).__name__
    return text if text.endswith(".") else f"{text}."


def kind_of(given) -> str:
    """What sort of thing was given, to begin a sentence with: "A list", "An array of shape (2, 2)"."""
    if given is None:
        return "None"
    if type(given) is np.ndarray:
        return f"An array of shape {given.shape}"
    # By the type alone: an object of the learner's own may raise when it is asked about itself.
    name = type(given).__name__[:60]
    if callable(given) and not isinstance(given, type) and name.endswith(("function", "method", "function_or_method")):
        return "A function"
    return f"{'An' if name[:1] in 'aeiouAEIOU' else 'A'} {name}"


def read_number(given) -> float:
    """A finite float; a ValueError of one sentence for anything else."""
    if isinstance(given, np.ndarray) and given.ndim == 0:
        given = given[()]
    if isinstance(given, str):
        raise ValueError(f"{shown(given)} is text; give the number alone, without quotes or a unit.")
    if isinstance(given, bool) or not isinstance(given, Real):
        raise ValueError(f"{kind_of(given)} is not a number; give one number.")
    try:
        number = float(given)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise ValueError(f"{number} can't be worked with; give a finite number.")
    return number


def same_settings(one, other) -> bool:
    """Whether two processors or chains are equal; objects of different types are not, and are not asked."""
    return type(one) is type(other) and one == other


def sheet_of(chain: Chain) -> dict:
    """A chain as a settings sheet in plain data; a ValueError if it is too long for an answer."""
    sheet = chain.to_dict()
    if len(json.dumps(sheet)) > _LONGEST_SETTINGS:
        raise ValueError("The settings are too long for an answer; use fewer stages or regions.")
    return sheet


def chain_from(sheet) -> Chain:
    """The chain of a settings sheet in plain data, checked as :func:`sheet_of` does."""
    chain = Chain.from_dict(sheet)
    sheet_of(chain)
    return chain


def as_code(source: str) -> str:
    """Source as a block of code in a prompt or a solution."""
    return textwrap.indent(source.strip(), "    ")
