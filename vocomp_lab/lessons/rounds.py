"""Rounds of ear practice: what is kept of each, what they tell about a learner, and which drill is next.

The rounds of a learner lie in the folder of all sheets (:mod:`vocomp_lab.lessons.course`), one file for each round, whatever
voice it was about: a new one is added, and none is ever replaced. Shown in ``10_ear_practice``.
"""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass
from pathlib import Path

from vocomp_lab.lessons.diary import check_began, keep_entry, read_entries
from vocomp_lab.lessons.drills import DRILLS, Drill
from vocomp_lab.lessons.plays import Play, read_plays, unheard
from vocomp_lab.lessons.staircase import Threshold
from vocomp_lab.lessons.tables import Table
from vocomp_lab.sound.checks import check_choice, check_whole

FOLDER = "practice"
RECENT_TRIALS = 60
"""A threshold of today is read off so many trials at most: the newest."""
_DUE_DAYS = 7.0
_MOST_TRIALS = 200


@dataclass(frozen=True)
class Answer:
    """One trial of a round.

    Parameters
    ----------
    rung : int
        How hard it was, on the drill's ladder.
    right : bool
    plays : tuple of Play
        What was played in it.
    """

    rung: int
    right: bool
    plays: tuple[Play, ...] = ()


@dataclass(frozen=True)
class Round:
    """A round of practice.

    Parameters
    ----------
    drill : str
        One of ``vocomp_lab.lessons.drills.DRILLS``.
    voice : str
        What the voice is called.
    began : str
        Date and time, such as "2026-01-31T18:05:00".
    answers : tuple of Answer
    trials : int
        How many it was to have.
    """

    drill: str
    voice: str
    began: str
    answers: tuple[Answer, ...]
    trials: int

    def __post_init__(self):
        check_choice("drill", self.drill, tuple(DRILLS))
        check_whole("trials", self.trials, 1, _MOST_TRIALS)
        check_began(self.began)
        if len(self.answers) > self.trials:
            raise ValueError(
                f"answers: {len(self.answers)} are too many for {self.trials} trials; give at most one each."
            )
        for answer in self.answers:
            check_whole("rung", answer.rung, 0, len(DRILLS[self.drill].ladder) - 1)

    @property
    def day(self) -> str:
        """The date on which it began."""
        return self.began[:10]

    @property
    def right(self) -> int:
        """How many answers were right."""
        return sum(answer.right for answer in self.answers)

    @property
    def unheard_trials(self) -> tuple[int, ...]:
        """The trials, from 1, that were answered without playing what is to be judged."""
        must = DRILLS[self.drill].must_hear
        return tuple(n for n, answer in enumerate(self.answers, 1) if unheard(answer.plays, must))

    @property
    def finished(self) -> bool:
        """Whether every trial is answered, and was heard before."""
        return len(self.answers) == self.trials and not self.unheard_trials

    def to_dict(self) -> dict:
        """Plain values for a file."""
        answers = [[one.rung, one.right, [play.to_list() for play in one.plays]] for one in self.answers]
        return {
            "drill": self.drill,
            "voice": self.voice,
            "began": self.began,
            "trials": self.trials,
            "answers": answers,
        }

    @classmethod
    def from_dict(cls, data) -> "Round":
        """What :meth:`to_dict` wrote.

        Raises
        ------
        ValueError
            If it is something else.
        """
        try:
            answers = []
            for rung, right, plays in data["answers"]:
                if not isinstance(right, bool):
                    raise ValueError("right: give true or false for each answer.")
                answers.append(Answer(check_whole("rung", rung, 0, 1000), right, read_plays(plays)))
            return cls(data["drill"], str(data["voice"])[:200], data["began"], tuple(answers), data["trials"])
        except (KeyError, TypeError, AttributeError):
            raise ValueError("This is not the record of a round of practice.") from None


def practice_folder(lesson) -> Path:
    """Where a learner's rounds lie: beside the folders of all voices."""
    return lesson.folder.parent / FOLDER


def keep_round(state: Path, one: Round) -> Path:
    """Keep a round in a file of its own.

    Parameters
    ----------
    state : Path
        The folder of the rounds: :func:`practice_folder`.
    one : Round

    Raises
    ------
    ValueError
        If it can't be written.
    """
    return keep_entry(state, one.began, one.drill, one.to_dict())


def read_rounds(state: Path) -> tuple[Round, ...]:
    """All rounds that were kept and finished, the oldest first. A file that can't be read is left aside, and left alone."""
    return tuple(one for one in read_entries(state, Round.from_dict) if one.finished)


def threshold_from(rounds, drill: Drill) -> Threshold | None:
    """What a learner hears by now, from the newest ``RECENT_TRIALS`` trials of a drill in whole rounds; None without any."""
    recent: list[Answer] = []
    for one in reversed([one for one in rounds if one.drill == drill.name]):
        if recent and len(recent) + len(one.answers) > RECENT_TRIALS:
            break
        recent = [*one.answers, *recent]
    if not recent:
        return None
    return drill.threshold([one.rung for one in recent], [one.right for one in recent])


def thresholds_by_day(rounds, drill: Drill) -> tuple[tuple[str, Threshold], ...]:
    """For each day with a round of a drill, what could be told by then, the oldest first."""
    ours = [one for one in rounds if one.drill == drill.name]
    days = sorted({one.day for one in ours})
    return tuple((day, threshold_from([one for one in ours if one.day <= day], drill)) for day in days)


def weakness(drill: Drill, threshold: Threshold) -> float:
    """Where a threshold lies on a drill's ladder: 0 at the smallest difference, 1 at the largest."""
    easiest, hardest = math.log(max(drill.ladder)), math.log(min(drill.ladder))
    return min(max((math.log(threshold.size) - hardest) / (easiest - hardest), 0.0), 1.0)


def next_drill(rounds, today: str | None = None) -> Drill:
    """Which drill to do next: first those never done, in their order, then what was weakest and longest ago.

    Parameters
    ----------
    rounds : sequence of Round
    today : str, optional
        The date as YYYY-MM-DD.

    Notes
    -----
    The place on the ladder (0 to 1) and the days since, a week counting as much as the whole ladder, are added. Common
    practice is to come back to what is weak, and after a while; this sum has no source.
    """
    now = datetime.date.today() if today is None else datetime.date.fromisoformat(today)
    best, most = None, -math.inf
    for drill in DRILLS.values():
        last = max((one.day for one in rounds if one.drill == drill.name), default=None)
        if last is None:
            return drill
        due = min((now - datetime.date.fromisoformat(last)).days / _DUE_DAYS, 2.0)
        if (score := weakness(drill, threshold_from(rounds, drill)) + due) > most:
            best, most = drill, score
    return best


def practice_table(rounds) -> Table:
    """Every drill with what is heard by now, how many rounds it had, and when the last one was."""
    rows = []
    for drill in DRILLS.values():
        ours = [one for one in rounds if one.drill == drill.name]
        threshold = threshold_from(ours, drill)
        said = "not tried yet" if threshold is None else drill.brief(threshold)
        rows.append((drill.title, said, len(ours), ours[-1].day if ours else "–"))
    return Table(rows, ("drill", "what you hear", "rounds", "last"))
