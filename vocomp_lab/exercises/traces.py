"""What an answer has in common with others: short digests of its function, settings, numbers or listening record.

They are worked out while a sheet is marked, so that a class can be compared without keeping every answer. What equal
digests can and can't show is in :mod:`vocomp_lab.exercises.similarity`.
"""

from __future__ import annotations

import ast
import hashlib
import json
import math
import textwrap
from dataclasses import dataclass

from vocomp_lab.exercises.kinds import SetIt
from vocomp_lab.exercises.tasks import Posed, same_settings
from vocomp_lab.processors.chain import Chain

FUNCTION, SETTINGS, NUMBERS, LISTENING, KEY, MODEL = "function", "settings", "numbers", "listening", "key", "model"
HAND_DIGITS = 4
"""More significant digits than these are not set by hand: no slider's stop has more. Common practice, no source."""
COMPUTED_DIGITS = 6
"""A number that is worked out may have as many because it is exact, such as 34.375; with more it was computed."""
_NOT_PYTHON = (SyntaxError, ValueError, RecursionError, MemoryError)


@dataclass(frozen=True)
class Trace:
    """Something that can be equal in two answers to a task.

    Parameters
    ----------
    kind : str
        ``FUNCTION``, ``SETTINGS``, ``NUMBERS`` or ``LISTENING``: equal digests are equal answers of two learners.
        ``KEY`` and ``MODEL``: the answer is equal to the learner's own key, or to the worked solution.
    digest : str
    size : int
        Of a function: how many parts it has once names and layout are put aside. Of settings and numbers: how many
        values have more digits than a hand sets. Of a listening record: its rounds.
    """

    kind: str
    digest: str
    size: int

    def to_list(self) -> list:
        """Plain values, for a journal."""
        return [self.kind, self.digest, self.size]


def traces_of(posed: Posed, data) -> list[list]:
    """The traces of an answer, each as :meth:`Trace.to_list` gives it.

    Parameters
    ----------
    posed : Posed
        The task as the learner got it.
    data : JSON data
        From the answer sheet; anybody may have written it. None: no answer.
    """
    if not isinstance(data, dict) or len(data) != 1:
        return []
    ((kind, _),) = data.items()
    find = {
        "source": _of_function, "settings": _of_settings, "sheet": _of_settings, "number": _of_numbers,
        "numbers": _of_numbers, "round": _of_listening, "heard": _of_listening, "guesses": _of_listening,
    }.get(kind)  # fmt: skip
    try:
        return [] if find is None else [trace.to_list() for trace in find(posed, posed.from_data(data))]
    except Exception:  # what can't be read has nothing in common with anything
        return []


# --------------------------------------------------------------------------------------------------------- functions


def plain_function(source: str) -> tuple[str, int]:
    """A function without its layout, comments, docstrings, annotations and own names.

    Parameters
    ----------
    source : str

    Returns
    -------
    text : str
        Equal for two functions that differ in nothing else. Names that the source itself binds are numbered in the
        order in which they are met; those of Python and its libraries stay.
    size : int
        How many parts (nodes of the syntax tree) it has.

    Raises
    ------
    ValueError, SyntaxError, RecursionError, MemoryError
        If it is not Python.
    """
    tree = ast.parse(textwrap.dedent(source))
    bound = {
        node.arg if isinstance(node, ast.arg) else node.id if isinstance(node, ast.Name) else node.name
        for node in ast.walk(tree)
        if isinstance(node, (ast.arg, ast.FunctionDef, ast.ClassDef))
        or isinstance(node, ast.Name)
        and isinstance(node.ctx, ast.Store)
    }
    renamed = _Renamed(bound).visit(tree)
    return ast.dump(renamed), sum(
        not isinstance(node, (ast.expr_context, ast.operator, ast.cmpop)) for node in ast.walk(renamed)
    )


class _Renamed(ast.NodeTransformer):
    def __init__(self, bound: set):
        self._bound, self._numbers = bound, {}

    def _name(self, name: str) -> str:
        return f"name{self._numbers.setdefault(name, len(self._numbers))}" if name in self._bound else name

    def visit_Name(self, node):
        return ast.Name(self._name(node.id), node.ctx)

    def visit_arg(self, node):
        return ast.arg(self._name(node.arg))

    def visit_keyword(self, node):
        # A keyword of one of the source's own functions is called what its parameter is.
        node = self.generic_visit(node)
        return ast.keyword(self._name(node.arg) if node.arg in self._bound else node.arg, node.value)

    def visit_FunctionDef(self, node):
        node.name, node.returns, node.type_comment = self._name(node.name), None, None
        node = self.generic_visit(node)
        node.body = _without_docstring(node.body)
        return node

    def visit_ClassDef(self, node):
        node.name = self._name(node.name)
        node = self.generic_visit(node)
        node.body = _without_docstring(node.body)
        return node

    def visit_AnnAssign(self, node):
        node = self.generic_visit(node)
        return ast.Assign([node.target], node.value) if node.value is not None else None

    def visit_Global(self, node):
        return type(node)([self._name(name) for name in node.names])

    visit_Nonlocal = visit_Global

    def visit_ExceptHandler(self, node):
        node.name = None if node.name is None else self._name(node.name)
        return self.generic_visit(node)


def _without_docstring(body: list) -> list:
    first = body[0] if body else None
    told = isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant) and isinstance(first.value.value, str)
    return body[1:] or [ast.Pass()] if told else body


def _of_function(posed, source: str) -> list[Trace]:
    try:
        text, size = plain_function(source)
        start, model = plain_function(posed.start)[0], plain_function(posed.model)[0]
    except _NOT_PYTHON:
        return []
    if text == start:
        return []
    found = [Trace(FUNCTION, _digest(text), size)]
    return found + [Trace(MODEL, found[0].digest, size)] if text == model else found


# ------------------------------------------------------------------------------------------------ settings and numbers


def finer_than_a_hand(value, digits: int = HAND_DIGITS) -> bool:
    """Whether a value has more significant digits than that."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        return False
    return float(f"{value:.{digits}g}") != value


def _of_settings(posed, answer) -> list[Trace]:
    """One for each stage that has values finer than a hand's, but for those that the task began with."""
    begun = [_plain(stage) for stage in _stages(getattr(posed, "start", None))]
    found = []
    for stage in _stages(posed.to_data(answer)):
        text = _plain(stage)
        fine = sum(finer_than_a_hand(value) for value in _leaves(stage["settings"]))
        if fine and text not in begun:
            found.append(Trace(SETTINGS, _digest(text), fine))
    # The key is one of the candidates. They are asked for only where it can matter, since some take a while to make.
    if found and isinstance(posed, SetIt) and any(same_settings(answer, one) for one in posed.candidates()):
        found.append(Trace(KEY, found[0].digest, found[0].size))
    return found


def _stages(given) -> list[dict]:
    """The stages in an answer as data, a chain or a processor."""
    if given is None:
        return []
    if isinstance(given, dict):
        ((_, sheet),) = given.items()
        return sheet["stages"]
    return (given if isinstance(given, Chain) else Chain([("yours", given)])).to_dict()["stages"]


def _plain(stage: dict) -> str:
    """A stage without its name."""
    return json.dumps([stage["type"], stage["settings"]], sort_keys=True)


def _leaves(value):
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, list):
        for one in value:
            yield from _leaves(one)
    else:
        yield value


def _of_numbers(posed, answer) -> list[Trace]:
    found_by_ear = isinstance(answer, list)
    numbers, key = (sorted(one) if found_by_ear else [one] for one in (answer, posed.key()))
    fine = sum(finer_than_a_hand(number) for number in numbers)
    computed = any(finer_than_a_hand(number, COMPUTED_DIGITS) for number in numbers)
    digest = _digest(json.dumps(numbers))
    # A single place in a sound, told to the millisecond, is hit by two of a hundred by chance; a list of them is not.
    found = [Trace(NUMBERS, digest, fine)] if computed or found_by_ear and fine > 1 else []
    if numbers == key and (computed or found_by_ear and fine):
        found.append(Trace(KEY, digest, fine))
    return found


def _of_listening(posed, session: dict) -> list[Trace]:
    ((kind, record),) = session.items()
    rounds = len(record["answers"]) if kind == "round" else len(record)
    if not rounds:
        return []
    found = [Trace(LISTENING, _digest(json.dumps(session, sort_keys=True)), rounds)]
    return found + [Trace(KEY, found[0].digest, rounds)] if session == posed.key() else found


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:16]
