"""What a teacher sets for a class, in a file ``class.toml``: weights, a scale, due dates, what a hint costs.

::

    class_list = "class.csv"         # id, name, group; beside this file
    zone = "Europe/Vienna"           # of due dates that don't say theirs; otherwise this machine's
    grace_hours = 12                 # nothing is taken off until then
    late_percent_per_day = 10        # of an answer's points, for each day begun after that
    late_percent_most = 50
    hint_percent = 10                # of a task's points, for each hint
    several = "best"                 # of several sheets with one id: "best" or "last" of each task
    accept = ["b/homework_04_ann.json"]  # where two sheets have one id: the right one, as the report names it
    withdrawn = ["kim"]              # their sheets are passed over

    [due]
    04 = 2026-10-05                  # the end of that day; or 2026-10-05T18:00:00
    [due_for.ann]
    04 = 2026-10-12                  # for ann alone
    [excused]
    04 = ["ben"]                     # counts neither for nor against them
    [weights]
    project = 3                      # points count three times; those of others once
    [scale]
    A = 90                           # from so many percent on
    B = 75
    F = 0

Every line may be left out. Without any, marks are what the workbook gives by itself. Shown in README, "Homework, and
marks for a class".
"""

from __future__ import annotations

import datetime
import math
import re
import tomllib
import zoneinfo
from dataclasses import dataclass, field, fields
from pathlib import Path

from vocomp_lab.exercises.catalogue import homework_names
from vocomp_lab.exercises.class_list import small_file
from vocomp_lab.exercises.learners import check_learner
from vocomp_lab.sound.checks import check_choice, check_number, shown
from vocomp_lab.sound.text import printable

CLASS_FILE = "class.toml"
BEST, LAST = "best", "last"
_LONGEST_FILE = 1 << 20
_OFFSET = re.compile(r"([+-])(\d\d):(\d\d)")
_NUMBERS = {
    "grace_hours": (0, 24 * 366, "h"),
    "late_percent_per_day": (0, 100, "%"),
    "late_percent_most": (0, 100, "%"),
    "hint_percent": (0, 100, "%"),
}


@dataclass(frozen=True, kw_only=True)
class ClassSettings:
    """What a teacher sets; each field checks itself.

    Parameters
    ----------
    class_list : str
        A file beside ``class.toml``; "" for none.
    zone : str
        A time zone such as "Europe/Vienna" or an offset such as "+02:00", for due dates without one; "" for that of the
        machine that marks.
    grace_hours : float
    late_percent_per_day : float
        What an answer loses of its points for each day begun after its due date and the grace.
    late_percent_most : float
        No more than this is taken off for lateness.
    hint_percent : float
        What an answer loses of its points for each hint.
    several : str
        What counts when a learner's homework is there several times: "best" or "last" of each task's answers; "" leaves
        it to the marker's own rule.
    accept : sequence of str
        Where there are different sheets of one learner for one homework: the right one, as the report names it.
    withdrawn : sequence of str
        Learners whose sheets are passed over.
    due : dict of str to date or datetime
        By homework. A date means the end of that day.
    due_for : dict of str to dict
        By learner: dates like those, for them alone.
    excused : dict of str to sequence of str
        By homework: the learners for whom it counts neither way.
    weights : dict of str to float
        By homework: what its points are multiplied by; 1 where it is left out.
    scale : dict of str to float
        Grades, each with the percentage that it begins at; one of them begins at 0. Empty: no grades.
    """

    class_list: str = ""
    zone: str = ""
    grace_hours: float = 0.0
    late_percent_per_day: float = 0.0
    late_percent_most: float = 100.0
    hint_percent: float = 0.0
    several: str = ""
    accept: tuple = ()
    withdrawn: tuple = ()
    due: dict = field(default_factory=dict)
    due_for: dict = field(default_factory=dict)
    excused: dict = field(default_factory=dict)
    weights: dict = field(default_factory=dict)
    scale: dict = field(default_factory=dict)

    def __post_init__(self):
        for name, (low, high, unit) in _NUMBERS.items():
            object.__setattr__(self, name, check_number(name, getattr(self, name), low, high, unit))
        for name in ("class_list", "zone"):
            if not isinstance(getattr(self, name), str):
                raise ValueError(f"{name}: {shown(getattr(self, name))} is not allowed; give text in quotes.")
        check_choice("several", self.several, ("", BEST, LAST))
        self._zone()
        for name in ("accept", "withdrawn"):
            object.__setattr__(self, name, _texts(name, getattr(self, name)))
        object.__setattr__(self, "withdrawn", _learners("withdrawn", self.withdrawn))
        for name in ("due", "due_for", "excused", "weights", "scale"):
            if not isinstance(getattr(self, name), dict):
                raise ValueError(f"{name}: {shown(getattr(self, name))} is not allowed; give a table under [{name}].")
        for name in ("due", "excused", "weights"):
            for homework in getattr(self, name):
                check_choice(name, homework, homework_names())
        _check_days("due", self.due)
        due_for = {_learners("due_for", [learner])[0]: days for learner, days in self.due_for.items()}
        for learner, days in due_for.items():
            if not isinstance(days, dict):
                raise ValueError(f"due_for: {shown(days)} is not allowed; give dates under [due_for.{learner}].")
            for homework in days:
                check_choice(f"due_for.{learner}", homework, homework_names())
            _check_days(f"due_for.{learner}", days)
        object.__setattr__(self, "due_for", due_for)
        excused = {
            name: _learners(f"excused.{name}", _texts(f"excused.{name}", ids)) for name, ids in self.excused.items()
        }
        object.__setattr__(self, "excused", excused)
        weights = {name: check_number(f"weights.{name}", value, 0, 1000) for name, value in self.weights.items()}
        object.__setattr__(self, "weights", weights)
        for grade in self.scale:
            if not isinstance(grade, str) or not grade.strip() or len(grade) > 40 or not grade.isprintable():
                raise ValueError(f"scale: {shown(grade)} is not allowed as a grade; give 1 to 40 characters.")
        scale = {grade: check_number(f"scale.{grade}", value, 0, 100, "%") for grade, value in self.scale.items()}
        if len(set(scale.values())) < len(scale):
            raise ValueError("scale: two grades begin at the same percentage; give each its own.")
        if scale and min(scale.values()) > 0:
            raise ValueError(
                f"scale: the lowest grade begins at {min(scale.values()):g} %; give one that begins at 0, so that "
                "everybody has a grade."
            )
        object.__setattr__(self, "scale", dict(sorted(scale.items(), key=lambda item: -item[1])))
        if (
            (self.due or self.due_for)
            and not self.late_percent_per_day
            and (self.grace_hours or self.late_percent_most != 100)
        ):
            raise ValueError(
                "late_percent_per_day: it is missing or 0; give what a day costs, or leave out grace_hours and "
                "late_percent_most."
            )

    def _zone(self) -> datetime.tzinfo | None:
        if not self.zone:
            return None
        if found := _OFFSET.fullmatch(self.zone):
            minutes = 60 * int(found[2]) + int(found[3])
            if minutes < 24 * 60:
                return datetime.timezone(datetime.timedelta(minutes=minutes if found[1] == "+" else -minutes))
        try:
            return zoneinfo.ZoneInfo(self.zone)
        except (ValueError, OSError, zoneinfo.ZoneInfoNotFoundError):
            raise ValueError(
                f"zone: {shown(self.zone)} is not known here; give a name such as 'Europe/Vienna' or an offset such as "
                "'+02:00'."
            ) from None

    def due_at(self, homework: str, learner: str = "") -> datetime.datetime | None:
        """When a homework is due, for everybody or for a learner, with its offset; None if it has no date."""
        day = self.due_for.get(learner, {}).get(homework, self.due.get(homework))
        if day is None:
            return None
        if not isinstance(day, datetime.datetime):
            day = datetime.datetime.combine(day + datetime.timedelta(days=1), datetime.time())
        if day.tzinfo is not None:
            return day
        zone = self._zone()
        return day.replace(tzinfo=zone) if zone is not None else day.astimezone()

    def closed_at(self, homework: str, learner: str = "") -> datetime.datetime | None:
        """When a homework's due date and the grace are over, in UTC; None if it has no date."""
        due = self.due_at(homework, learner)
        grace = datetime.timedelta(hours=self.grace_hours)
        return None if due is None else due.astimezone(datetime.timezone.utc) + grace

    def days_late(self, homework: str, given_at: datetime.datetime, learner: str = "") -> int:
        """How many days after its due date and the grace an answer was given; a day that has begun counts as one.

        Parameters
        ----------
        homework : str
        given_at : datetime
            With an offset.
        learner : str
            Who may have a date of their own.
        """
        closed_at = self.closed_at(homework, learner)
        if closed_at is None:
            return 0
        late = given_at - closed_at
        return max(math.ceil(late / datetime.timedelta(days=1)), 0)

    def is_excused(self, homework: str, learner: str) -> bool:
        """Whether a homework counts neither for nor against a learner."""
        return learner in self.excused.get(homework, ())

    def weight(self, homework: str) -> float:
        """What the points of a homework are multiplied by."""
        return self.weights.get(homework, 1.0)

    def grade(self, percent: float) -> str:
        """The grade for a percentage, which is rounded to the one decimal that the gradebook shows; "" without a scale."""
        reached = [grade for grade, low in self.scale.items() if round(percent, 1) >= low]
        return reached[0] if reached else ""

    def in_words(self) -> str:
        """What differs from the defaults, in one line."""
        said = []
        for part in fields(self):
            value = getattr(self, part.name)
            if isinstance(value, dict):
                if value:
                    said.append(f"{part.name}: {', '.join(f'{name} {_told(one)}' for name, one in value.items())}")
            elif isinstance(value, tuple):
                if value:
                    said.append(f"{part.name} {_told(value)}")
            elif value != part.default:
                said.append(f"{part.name} {value if isinstance(value, str) else f'{value:g}'}")
        return "; ".join(said) or "nothing"


def _told(value) -> str:
    """A value of ``class.toml`` in one line."""
    if isinstance(value, dict):
        return ", ".join(f"{name} {_told(one)}" for name, one in value.items())
    if isinstance(value, tuple):
        return ", ".join(map(printable, value))
    return str(value) if isinstance(value, datetime.date) else f"{value:g}"


def _texts(name: str, given) -> tuple[str, ...]:
    if not isinstance(given, (list, tuple)) or not all(isinstance(one, str) for one in given):
        raise ValueError(f'{name}: {shown(given)} is not allowed; give a list of texts in quotes, such as ["ann"].')
    return tuple(given)


def _learners(name: str, ids) -> tuple[str, ...]:
    """Ids in their standard spelling."""
    try:
        return tuple(map(check_learner, ids))
    except ValueError as error:
        raise ValueError(f"{name}: {error}") from None


def _check_days(name: str, days: dict) -> None:
    for homework, day in days.items():
        if not isinstance(day, datetime.date):  # a datetime is one, too
            raise ValueError(
                f"{name}.{homework}: {shown(day)} is not allowed; give a date such as 2026-10-05, or a date and time such as "
                "2026-10-05T18:00:00, without quotes."
            )
        if not 2000 <= day.year <= 2200:
            raise ValueError(f"{name}.{homework}: the year {day.year} is not allowed; give one from 2000 to 2200.")


DEFAULTS = ClassSettings()
"""Marks as the workbook gives them by itself."""


def read_class_settings(path) -> ClassSettings:
    """The settings in a ``class.toml``.

    Raises
    ------
    ValueError
        In one sentence with the file and the field, if it can't be read or something in it is not allowed.
    """
    path = Path(path)
    if path.is_symlink() or not path.is_file():
        raise ValueError(f"class: {str(path)!r} is not an ordinary file.")
    raw = small_file(path, "class", _LONGEST_FILE)
    try:
        data = tomllib.loads(raw.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise ValueError(f"class: {path.name!r} is not UTF-8 text.") from None
    except (ValueError, RecursionError) as error:
        raise ValueError(f"class: {path.name!r} is not TOML ({' '.join(str(error).split())[:120]}).") from None
    known = [part.name for part in fields(ClassSettings)]
    for name in data:
        if name not in known:
            raise ValueError(f"class: {path.name!r}: {shown(name)} is unknown; use any of {', '.join(known)}.")
    try:
        return ClassSettings(**data)
    except ValueError as error:
        raise ValueError(f"class: {path.name!r}: {error}") from None
