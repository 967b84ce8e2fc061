"""The kinds of task: what is asked, how an answer is read, how it is judged, and what the key gives.

Each kind is a frozen dataclass, made for one learner. It has

* ``prompt``, ``hints`` (up to two), ``solution``: text, in which `` `code` `` and ``**bold**`` are marked;
* ``clip``: a function that makes the sound of the task, if it has one; called when it is needed;
* ``read(given)``: the answer as JSON data, or a ValueError of one sentence if it is of a wrong kind;
* ``judge(data)``: a :class:`Verdict`, from the data alone, so that the marker comes to the same;
* ``key()``: data that is right.

The first tasks belong to lesson ``01_levels_and_meters``.
"""

from __future__ import annotations

import ast
import inspect
import json
import math
import textwrap
from dataclasses import dataclass, field
from functools import cached_property
from numbers import Real
from typing import Callable

import numpy as np

from vocomp_lab.analysis.measures import MEASURES, Change, Goal, clip_numbers, decibels, measure_change, window_text
from vocomp_lab.analysis.meters import active_mask
from vocomp_lab.exercises.box import LONGEST_SOURCE, run_in_box
from vocomp_lab.exercises.learners import Draw
from vocomp_lab.exercises.mistakes import MISTAKES
from vocomp_lab.processors.chain import Chain, ChainResult
from vocomp_lab.processors.compressor import Dynamics
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.checks import shown

RIGHT, NOT_YET, UNREAD = "right", "not yet", "can't be read"
MOST_HINTS = 2
_MOST_VALUES = 200
_LONGEST_ANSWER = 30_000
_MOST_STAGES = 16


@dataclass(frozen=True)
class Verdict:
    """What came of an answer.

    Attributes
    ----------
    status : str
        ``RIGHT``, ``NOT_YET`` or ``UNREAD``.
    says : str
        What was measured against what was asked.
    mistake : str or None
        A name out of ``MISTAKES``, where a typical mistake was recognised.
    """

    status: str
    says: str
    mistake: str | None = None

    @property
    def text(self) -> str:
        """The sentence with that of the mistake behind it."""
        return f"{self.says} {MISTAKES[self.mistake].says}" if self.mistake else self.says


@dataclass(frozen=True)
class Task:
    """A task of a homework, for every learner.

    Parameters
    ----------
    id : str
        Names the task in the answer sheet for ever: once handed out, it keeps its meaning.
    title : str
    pose : callable
        Makes the task for one learner's :class:`~vocomp_lab.exercises.learners.Draw`: one of the kinds of this module.
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
    """What all kinds share; see the module's own text."""

    prompt: str
    hints: tuple[str, ...] = ()
    solution: str = ""
    clip: Callable[[], Clip] | None = None

    def __post_init__(self):
        if len(self.hints) > MOST_HINTS:
            raise ValueError(f"hints: {len(self.hints)} are not allowed; give at most {MOST_HINTS}.")
        if not self.solution:
            raise ValueError("solution: it is missing; every task has a worked solution.")
        unknown = [name for name in self.mistake_names() if name not in MISTAKES]
        if unknown:
            raise ValueError(f"mistakes: {unknown[0]!r} is unknown; list it in MISTAKES.")

    begin = "Put your answer in, and run this cell."

    def mistake_names(self) -> tuple[str, ...]:
        """Mistakes that this task itself lists."""
        return tuple(getattr(self, "mistakes", {}))

    def untouched(self, given) -> bool:
        """Whether this is what stood in the notebook from the start: no try."""
        return given is None

    def judged(self, data) -> Verdict:
        """:meth:`judge` for data out of an unknown hand: what can't be judged gets a sentence too."""
        if not isinstance(data, dict):
            return Verdict(UNREAD, "This is no answer to this task.")
        try:
            return self.judge(self.checked(data))
        except KeyError:
            return Verdict(UNREAD, f"An answer of the kind “{self.label}” holds something else than this one.")
        except (ValueError, TypeError, OverflowError, RecursionError) as error:
            return Verdict(UNREAD, _one_sentence(error))

    def checked(self, data):
        """The data if it has the form that :meth:`read` gives; else a ValueError."""
        return data


def _one_sentence(error) -> str:
    text = " ".join(str(error).split())[:250] or type(error).__name__
    return text if text.endswith(".") else f"{text}."


# ----------------------------------------------------------------------------------------------------------- numbers


def read_number(given) -> float:
    """A finite float; a sentence for anything else."""
    if isinstance(given, np.ndarray) and given.ndim == 0:
        given = given[()]
    if isinstance(given, str):
        raise ValueError(f"{shown(given)} is text; give the number alone, without quotes and unit.")
    if isinstance(given, bool) or not isinstance(given, Real):
        raise ValueError(f"{_kind(given)} is no number; give one number.")
    try:
        number = float(given)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise ValueError(f"{number} is no number to work with; give a finite one.")
    return number


def _kind(given) -> str:
    if given is None:
        return "None"
    if isinstance(given, np.ndarray):
        return f"an array of shape {given.shape}"
    if callable(given):
        return "a function"
    return f"a {type(given).__name__}"


def as_code(source: str) -> str:
    """Source as a block of code in a prompt or a solution."""
    return textwrap.indent(source.strip(), "    ")


def figure(value: float, unit: str = "") -> str:
    """A number for reading: up to four figures, a true minus sign, its unit."""
    text = f"{value:.4g}" if abs(value) < 1e6 else f"{value:.3e}"
    return f"{text} {unit}".replace("-", "−").strip()


@dataclass(frozen=True, kw_only=True)
class WorkOut(Posed):
    """*Work it out*: one number.

    Parameters
    ----------
    answer : float
    unit : str
    tolerance : float
        Told to the learner; in the unit.
    mistakes : dict of str to float
        The wrong answers that typical mistakes lead to. For times, seconds and milliseconds are watched by themselves.
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

    def read(self, given):
        return {"number": read_number(given)}

    def checked(self, data):
        return {"number": read_number(data["number"])}

    def judge(self, data) -> Verdict:
        number = data["number"]
        if abs(number - self.answer) <= self.tolerance * (1 + 1e-9):
            return Verdict(RIGHT, f"{figure(number, self.unit)} is right.")
        off = "too high" if number > self.answer else "too low"
        for name, wrong in self._wrong_answers().items():
            if abs(number - wrong) <= min(self.tolerance, 0.02 * abs(wrong) or self.tolerance):
                return Verdict(NOT_YET, f"{figure(number, self.unit)} is not it.", name)
        return Verdict(NOT_YET, f"{figure(number, self.unit)} is not it: {off}.")

    def _wrong_answers(self) -> dict:
        wrong = dict(self.mistakes)
        if self.unit == "ms":
            wrong["seconds_for_ms"] = self.answer / 1000
        if self.unit == "s":
            wrong["ms_for_seconds"] = self.answer * 1000
        wrong.setdefault("sign", -self.answer)
        return {name: value for name, value in wrong.items() if abs(value - self.answer) > self.tolerance}

    def key(self):
        return {"number": float(self.answer)}


@dataclass(frozen=True, kw_only=True)
class FindIt(Posed):
    """*Find it*: numbers, each of which must fall into one of some windows, in any order.

    Parameters
    ----------
    windows : sequence of (low, high, label)
        Both ends included. Every window has to be hit.
    unit : str
    extras : int
        How many answers may lie in no window.
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

    def read(self, given):
        if isinstance(given, np.ndarray) and given.ndim == 1:
            given = given.tolist()
        if not isinstance(given, (list, tuple)):
            given = [given]
        if not given:
            raise ValueError("The list is empty; give at least one number.")
        if len(given) > _MOST_VALUES:
            raise ValueError(f"{len(given)} numbers are too many; give {len(self.windows)}.")
        return {"numbers": [read_number(value) for value in given]}

    def checked(self, data):
        if not isinstance(data["numbers"], list):
            raise ValueError("The numbers of this answer are no list.")
        return self.read(data["numbers"])

    def judge(self, data) -> Verdict:
        numbers = data["numbers"]
        found, extra = self._hits(numbers)
        if len(found) == len(self.windows) and extra <= self.extras:
            return Verdict(RIGHT, f"Found: {', '.join(found)}.")
        for name, factor in (("ms_for_seconds", 1e-3), ("seconds_for_ms", 1e3)):
            if self.unit == ("s" if factor < 1 else "ms"):
                scaled, _ = self._hits([factor * number for number in numbers])
                if len(scaled) > len(found):
                    return Verdict(NOT_YET, f"{len(found)} of {len(self.windows)} found.", name)
        beside = f" {extra} of your answers {'lies' if extra == 1 else 'lie'} beside all of them." if extra else ""
        return Verdict(
            NOT_YET, f"{len(found)} of {len(self.windows)} found{': ' + ', '.join(found) if found else ''}.{beside}"
        )

    def _hits(self, numbers) -> tuple[list, int]:
        inside = [[low <= number <= high for low, high, _ in self.windows] for number in numbers]
        found = [label for place, (_, _, label) in enumerate(self.windows) if any(row[place] for row in inside)]
        return found, sum(not any(row) for row in inside)

    def key(self):
        return {"numbers": [float((low + high) / 2) for low, high, _ in self.windows]}


# --------------------------------------------------------------------------------------------------------- processors


@dataclass(frozen=True, kw_only=True)
class SetIt(Posed):
    """*Set it*: a processor whose measured effect lands in some windows. Any setting that does so is right.

    Parameters
    ----------
    start : processor
        Where the learner's bench begins; the answer must be of the same kind.
    goals : tuple of Goal
        What is measured on the stage.
    then : processor, optional
        Follows the learner's stage; then its numbers are measured instead (a compressor behind a trim).
    candidates : callable
        Gives settings to try, for the key: the first that meets the goals.
    mistakes : dict of str to callable
        Each says of (processor, change) whether it looks like that mistake. Watched without being listed: a threshold
        above
        every peak, seconds for milliseconds, and a loudness that was not kept while all else is met.
    """

    start: object
    goals: tuple
    then: object = None
    candidates: Callable
    mistakes: dict = field(default_factory=dict)

    label = "set it"
    begin = "Move the controls of the bench, then run this cell."

    @property
    def asks(self) -> str:
        """The form of the answer."""
        wanted = "; ".join(str(goal) for goal in self.goals)
        return f"Answer: the bench, or a {type(self.start).__name__}. Wanted: {wanted}."

    def chain(self, processor=None) -> Chain:
        """The stages that a bench for this task shows."""
        stages = [("yours", self.start if processor is None else processor)]
        return Chain(stages + ([("after it", self.then)] if self.then is not None else []))

    def untouched(self, given) -> bool:
        return given is None or self._processor(given) == self.start

    def _processor(self, given):
        """The learner's stage out of a processor, a chain or a bench; what is none of them as it is."""
        chain = given if isinstance(given, Chain) else getattr(given, "chain", None)
        if isinstance(chain, Chain) and chain.stages:
            stages = dict(chain.stages)
            return stages.get("yours", next(iter(stages.values())))
        return given

    def read(self, given):
        processor = self._processor(given)
        if type(processor) is not type(self.start):
            raise ValueError(
                f"{_kind(processor)} is not what is asked; give a {type(self.start).__name__}, or the bench."
            )
        return {"settings": json.loads(Chain([("yours", processor)]).to_json())}

    def checked(self, data):
        text = json.dumps(data["settings"])
        if len(text) > _LONGEST_ANSWER:
            raise ValueError("The settings are too long to be read.")
        chain = Chain.from_json(text)
        if len(chain.stages) != 1 or type(chain.stages[0][1]) is not type(self.start):
            raise ValueError(f"The settings hold something else than one {type(self.start).__name__}.")
        return data

    def change(self, processor) -> Change:
        """Measure what a setting does."""
        clip, numbers, sung = self._source
        stage = self.chain(processor).apply(clip).stages["after it" if self.then is not None else "yours"]
        if self.then is not None:
            numbers, sung = clip_numbers(stage.source), active_mask(stage.source)
        return measure_change(numbers, stage.output, stage.reduction_db, sung)

    @cached_property
    def _source(self):
        clip = self.clip()
        return (clip, clip_numbers(clip), active_mask(clip)) if self.then is None else (clip, None, None)

    def judge(self, data) -> Verdict:
        processor = Chain.from_json(json.dumps(data["settings"])).stages[0][1]
        change = self.change(processor)
        met = [goal.met(change) for goal in self.goals]
        says = "; ".join(
            f"{goal}: measured {decibels(goal.value(change))}, {'met' if fine else 'not met'}"
            for goal, fine in zip(self.goals, met)
        )
        says = says[0].upper() + says[1:] + "."
        if all(met):
            return Verdict(RIGHT, says)
        return Verdict(NOT_YET, says, self._recognised(processor, change, met))

    def _recognised(self, processor, change, met) -> str | None:
        for name, looks_like in self.mistakes.items():
            if looks_like(processor, change):
                return name
        dynamics = self.then if self.then is not None else processor
        if isinstance(dynamics, Dynamics) and change.reduction is not None and change.reduction.max_db < 0.05:
            return "threshold_above_peaks"
        others = [fine for goal, fine in zip(self.goals, met) if goal.measure != "loudness_change_lu"]
        if others and len(others) < len(met) and all(others):
            return "forgot_to_match"
        if self._fits_in_milliseconds(processor):
            return "seconds_for_ms"
        return None

    def _fits_in_milliseconds(self, processor) -> bool:
        times = {name: getattr(processor, name, None) for name in ("attack_ms", "release_ms")}
        if None in times.values() or not all(value < 3 for value in times.values()):
            return False
        fields = {**processor.__dict__, **{name: 1000 * value for name, value in times.items()}}
        change = self.change(type(processor)(**fields))
        return all(goal.met(change) for goal in self.goals)

    def key(self):
        for processor in self.candidates():
            if all(goal.met(self.change(processor)) for goal in self.goals):
                return self.read(processor)
        raise ValueError("candidates: none of them meets the goals; this task has no key.")


# ------------------------------------------------------------------------------------------------------------- chains


class Built:
    """What a learner's chain made of the sound of a task; each number is measured when it is first asked for, and once.

    Attributes
    ----------
    chain : Chain
    result : ChainResult
    """

    def __init__(self, chain: Chain, clip: Clip):
        self.chain = chain
        self.result: ChainResult = chain.apply(clip)
        self.source = clip
        self._changes: dict[str, Change | None] = {}

    @property
    def output(self) -> Clip:
        """What comes out of the last stage."""
        return self.result.output

    @cached_property
    def numbers(self):
        """Loudness, crest factor and peak of what comes out."""
        return clip_numbers(self.output)

    def into(self, name: str) -> Clip:
        """What goes into a stage; what comes out of the whole chain where there is no such stage."""
        return self.result.stages[name].source if name in self.result.stages else self.output

    def change(self, name: str) -> Change | None:
        """What a stage changed; None where there is no such stage."""
        if name not in self._changes:
            stage = self.result.stages.get(name)
            self._changes[name] = (
                None
                if stage is None
                else measure_change(
                    clip_numbers(stage.source), stage.output, stage.reduction_db, active_mask(stage.source)
                )
            )
        return self._changes[name]

    def idle(self, names) -> bool:
        """Whether one of these stages could turn down and never does."""
        stages = [self.result.stages[name] for name in names if name in self.result.stages]
        return any(stage.reduction_db is not None and stage.reduction_db.max(initial=0.0) < 0.05 for stage in stages)


@dataclass(frozen=True)
class Aim:
    """A window for one number of a chain, at its end or anywhere in it.

    Parameters
    ----------
    label : str
    unit : str
    of : callable
        Takes the number from a :class:`Built`; NaN where it has none.
    low, high : float
        Both ends included; infinite where the window is open.
    """

    label: str
    unit: str
    of: Callable[[Built], float]
    low: float = -math.inf
    high: float = math.inf

    def met(self, value: float) -> bool:
        """Whether the number lies in the window; NaN does not."""
        return self.low <= value <= self.high

    def __str__(self):
        return f"{self.label} {window_text(self.low, self.high, self.unit)}"


def stage_aim(stage: str, measure: str, low: float = -math.inf, high: float = math.inf) -> Aim:
    """A window for what one stage does, by the stage's name and one of ``measures.MEASURES``."""
    goal = Goal(measure, low, high)

    def of(built: Built) -> float:
        change = built.change(stage)
        return math.nan if change is None else goal.value(change)

    return Aim(f"{stage}: {MEASURES[measure].label}", MEASURES[measure].unit, of, low, high)


@dataclass(frozen=True, kw_only=True)
class BuildIt(Posed):
    """*Build it*: a chain whose measured effect lands in some windows. Any chain that does so is right.

    Parameters
    ----------
    start : Chain
        Where the learner's bench begins: every stage that is to be set, by the name that the aims know it by, and
        doing nothing yet.
    aims : tuple of Aim
        Shown line by line, as measured against asked.
    candidates : callable
        Gives chains to try, for the key: the first that meets the aims.
    mistakes : dict of str to callable
        Each says of (built, unmet) whether it looks like that mistake; `unmet` is the set of labels of aims that are
        not met. Watched without being listed: a stage that never turns down.
    """

    start: Chain
    aims: tuple
    candidates: Callable
    mistakes: dict = field(default_factory=dict)

    label = "build it"
    begin = "Set every stage, then run this cell."

    @property
    def asks(self) -> str:
        """The form of the answer."""
        names = ", ".join(f"`{name}`" for name, _ in self.start.stages)
        wanted = "\n".join(f"    {aim}" for aim in self.aims)
        return (
            f"Answer: the bench, a Chain, or the text of its settings sheet; its stages are called {names}. "
            f"Wanted:\n\n{wanted}"
        )

    def untouched(self, given) -> bool:
        return given is None or self._chain(given) == self.start

    def _chain(self, given):
        """The learner's chain out of what was given; what is no chain as it is."""
        chain = given if isinstance(given, Chain) else getattr(given, "chain", None)
        if isinstance(chain, Chain):
            return chain
        if len(self.start.stages) == 1 and type(given) is type(self.start.stages[0][1]):
            return Chain([(self.start.stages[0][0], given)])
        return given

    def read(self, given):
        chain = self._chain(given)
        if isinstance(chain, str):
            chain = Chain.from_json(chain)
        if not isinstance(chain, Chain):
            raise ValueError(
                f"{_kind(given)} is not what is asked; give the bench, a Chain, or the text of a settings sheet."
            )
        return {"sheet": json.loads(self._fitting(chain).to_json())}

    def _fitting(self, chain: Chain) -> Chain:
        if not chain.stages:
            raise ValueError("The chain has no stages; it needs at least one.")
        if len(chain.stages) > _MOST_STAGES:
            raise ValueError(f"The chain has {len(chain.stages)} stages; at most {_MOST_STAGES} are read.")
        return chain

    def checked(self, data):
        text = json.dumps(data["sheet"])
        if len(text) > _LONGEST_ANSWER:
            raise ValueError("The settings sheet is too long to be read.")
        self._fitting(Chain.from_json(text))
        return data

    def built(self, chain: Chain) -> Built:
        """Run a chain on the sound of the task."""
        return Built(chain, self.clip())

    def judge(self, data) -> Verdict:
        built = self.built(Chain.from_json(json.dumps(data["sheet"])))
        values = [float(aim.of(built)) for aim in self.aims]
        met = [aim.met(value) for aim, value in zip(self.aims, values)]
        lines = "\n".join(
            f"    {'✔' if fine else '✘'} {aim}; measured {decibels(value)}"
            for aim, value, fine in zip(self.aims, values, met)
        )
        missing = [name for name, _ in self.start.stages if name not in built.result.stages]
        says = f"{lines}\n\n{sum(met)} of {len(met)} met."
        if all(met):
            return Verdict(RIGHT, says)
        if missing:
            says += f" There is no stage called {', '.join(missing)}."
        return Verdict(NOT_YET, says, self._recognised(built, {a.label for a, fine in zip(self.aims, met) if not fine}))

    def _recognised(self, built: Built, unmet: set) -> str | None:
        for name, looks_like in self.mistakes.items():
            if looks_like(built, unmet):
                return name
        return "threshold_above_peaks" if built.idle(name for name, _ in self.start.stages) else None

    def key(self):
        return {"sheet": json.loads(self._key.to_json())}

    @cached_property
    def _key(self) -> Chain:
        for chain in self.candidates():
            built = self.built(chain)
            if all(aim.met(aim.of(built)) for aim in self.aims):
                return chain
        raise ValueError("candidates: none of them meets the aims; this task has no key.")


# ---------------------------------------------------------------------------------------------------------- functions


@dataclass(frozen=True, kw_only=True)
class WriteIt(Posed):
    """*Write it*: a function that is run on hidden inputs, in the box.

    Parameters
    ----------
    start : str
        The skeleton that stands in the notebook; its first function's name is the one that is asked.
    calls : tuple of tuples
        Hidden inputs: positional arguments, numbers, lists or arrays.
    right : callable
        Gives the right output for the inputs of a call.
    tolerance : float
    model : str
        Source of a right answer, in the learner's own terms.
    mistakes : dict of str to callable
        Functions like `right` that do it wrong in a typical way.
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
        """Of the function that is asked for."""
        return next(node.name for node in ast.parse(self.start).body if isinstance(node, ast.FunctionDef))

    @property
    def asks(self) -> str:
        """The form of the answer."""
        inputs = f"{len(self.calls)} inputs that you don't see"
        return f"Answer: the function `{self.name}`. It runs on {inputs}, within {figure(self.tolerance)}."

    def untouched(self, given) -> bool:
        if given is None:
            return True
        try:
            return _shape(self.read(given)["source"]) == _shape(self.start)
        except ValueError:
            return False

    def read(self, given):
        if isinstance(given, str):
            source = given
        elif inspect.isfunction(given):
            try:
                source = inspect.getsource(given)
            except (OSError, TypeError):
                raise ValueError("The text of this function can't be found; run its cell again.") from None
        else:
            raise ValueError(
                f"{_kind(given)} is not what is asked; give the function `{self.name}` itself, without brackets."
            )
        source = textwrap.dedent(source).strip() + "\n"
        if len(source) > LONGEST_SOURCE:
            raise ValueError(f"The function has {len(source):,} characters; at most {LONGEST_SOURCE:,} are read.")
        if any("\ud800" <= letter <= "\udfff" for letter in source):
            raise ValueError("The function's text holds characters that are no text.")
        if "lambda" in source and not source.lstrip().startswith(("def", "import", "from", "@")):
            raise ValueError(f"A lambda is not what is asked; write `def {self.name}(…):`.")
        return {"source": source}

    def checked(self, data):
        if not isinstance(data["source"], str):
            raise ValueError("The source of this answer is no text.")
        return self.read(data["source"])

    def judge(self, data) -> Verdict:
        result = run_in_box(data["source"], self.name, self.calls)
        if result.outputs is None:
            return Verdict(UNREAD, result.trouble)
        wanted = [np.asarray(self.right(*call), dtype=float) for call in self.calls]
        try:
            outputs = [np.asarray(output, dtype=float) for output in result.outputs]
        except ValueError:
            return Verdict(
                UNREAD, f"`{self.name}` returns a list of lists of uneven length; return one number for each."
            )
        for place, (output, want) in enumerate(zip(outputs, wanted)):
            if output.shape != want.shape:
                return Verdict(UNREAD, f"`{self.name}` returns {_form(output)}; {_form(want)} is asked.")
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
        """The first input that goes wrong, if it is short enough to be read."""
        output, want = outputs[place], wanted[place]
        if want.ndim:
            step = int(np.flatnonzero(~(np.abs(output - want) <= self.tolerance))[0])
            came, asked = figure(output.ravel()[step]), figure(want.ravel()[step])
            return f"In one of them, number {step} comes out as {came}; asked is {asked}."
        inputs = ", ".join(figure(value) if isinstance(value, Real) else "…" for value in self.calls[place])
        return f"For ({inputs}) it gives {figure(float(output))}; asked is {figure(float(want))}."

    def key(self):
        return self.read(self.model)


def _form(array) -> str:
    if array.ndim > 1:
        return f"an array of shape {array.shape}"
    return f"a list of {len(array)}" if array.ndim else "one number"


def _shape(source: str) -> str:
    """Source without layout and comments, for comparing."""
    try:
        return ast.dump(ast.parse(source))
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        return source


# ----------------------------------------------------------------------------------------------- hearing, and diagnosis


@dataclass(frozen=True, kw_only=True)
class HearIt(Posed):
    """*Hear it*: a session of listening, marked for having been done and never for what was heard.

    Parameters
    ----------
    rounds : int
        How many trials or guesses it takes.
    sounds : callable, optional
        Gives the two clips of a blind comparison.
    """

    rounds: int
    sounds: Callable | None = None

    label = "hear it"
    begin = "Go through the rounds, then run this cell."

    @property
    def asks(self) -> str:
        """The form of the answer."""
        return f"Answer: the finished session, {self.rounds} rounds. It counts that you did it, not what you heard."

    def read(self, given):
        if isinstance(given, np.ndarray) or callable(given) and not hasattr(given, "result"):
            raise ValueError(f"{_kind(given)} is no listening session; give the one that you finished.")
        guesses = getattr(given, "guesses", None)
        if guesses is not None:
            pairs = [[guess.loudness_lufs, guess.loudness_guess_lufs] for guess in guesses]
            pairs = [[float(was), float(said)] for was, said in pairs if said is not None]
            if not pairs:
                raise ValueError("No loudness was guessed yet; play a round first.")
            return {"guesses": pairs[-_MOST_VALUES:]}
        result = getattr(given, "result", self)
        result = result() if callable(result) else result
        if result is self:
            raise ValueError(f"{_kind(given)} is no listening session; give the one that you finished.")
        if result is None:
            raise ValueError("The session is not finished; answer its last trial, then give it again.")
        return {"heard": [[str(was)[:1], str(said)[:1]] for was, said in result.heard][:_MOST_VALUES]}

    def untouched(self, given) -> bool:
        """A session that nobody has begun is no try either."""
        if given is None or getattr(given, "guesses", None) == ():
            return True
        return getattr(given, "trial", None) == 1

    def checked(self, data):
        kind, pairs = next(iter(data.items()), ("", None))
        if (
            len(data) != 1
            or kind not in ("heard", "guesses")
            or not isinstance(pairs, list)
            or len(pairs) > _MOST_VALUES
        ):
            raise ValueError("This is no record of a listening session.")
        for pair in pairs:
            if not isinstance(pair, list) or len(pair) != 2:
                raise ValueError("A round of this session is no pair.")
            if kind == "heard" and not all(side in ("A", "B") for side in pair):
                raise ValueError("A round of this session says something else than A or B.")
            if kind == "guesses":
                for value in pair:
                    read_number(value)
        return data

    def judge(self, data) -> Verdict:
        ((kind, pairs),) = data.items()
        if len(pairs) < self.rounds:
            return Verdict(NOT_YET, f"{len(pairs)} of {self.rounds} rounds done; go on.")
        if kind == "guesses":
            off = np.array([said - was for was, said in pairs])
            return Verdict(
                RIGHT, f"Done: {len(pairs)} rounds, loudness guessed {np.abs(off).mean():.1f} LU off on average."
            )
        from vocomp_lab.lessons.blind import p_value

        right = sum(was == said for was, said in pairs)
        return Verdict(
            RIGHT,
            f"Done: {right} of {len(pairs)} right; pure guessing gets so many or more in "
            f"{100 * p_value(right, len(pairs)):.0f} % of such tests.",
        )

    def key(self):
        return {"heard": [["A", "AB"[place % 2]] for place in range(self.rounds)]}


@dataclass(frozen=True, kw_only=True)
class Diagnose(Posed):
    """*Diagnose it*: one of some words, to be told from numbers.

    Parameters
    ----------
    choices : dict of str to str
        Word to give, and what it stands for.
    answer : str
    why_not : dict of str to str
        For a wrong choice, a sentence on which number speaks against it.
    mistakes : dict of str to str
        A wrong choice that is a typical mistake: name of the mistake to the choice.
    """

    choices: dict
    answer: str
    why_not: dict = field(default_factory=dict)
    mistakes: dict = field(default_factory=dict)

    label = "diagnose it"

    @property
    def asks(self) -> str:
        """The form of the answer."""
        return "Answer: one of " + ", ".join(f'`"{word}"` ({meaning})' for word, meaning in self.choices.items()) + "."

    def read(self, given):
        word = given.strip().casefold() if isinstance(given, str) else None
        if word is None:
            raise ValueError(f"{_kind(given)} is no word; give one of {', '.join(self.choices)} in quotes.")
        if word not in self.choices:
            raise ValueError(f"{shown(given)} is none of the words; give one of {', '.join(self.choices)}.")
        return {"word": word}

    def checked(self, data):
        return self.read(data["word"])

    def judge(self, data) -> Verdict:
        word = data["word"]
        if word == self.answer:
            return Verdict(RIGHT, f"“{word}” it is: {self.choices[word]}.")
        name = next((name for name, wrong in self.mistakes.items() if wrong == word), None)
        says = f"“{word}” does not fit the numbers."
        return Verdict(NOT_YET, f"{says} {self.why_not[word]}" if word in self.why_not else says, name)

    def key(self):
        return {"word": self.answer}
