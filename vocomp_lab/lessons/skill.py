"""Practice for the hand: a stage to set to its goals on a take that is new each time, within a minute; what is kept of it.

The tasks are those of the lessons 02 to 05. What is kept: for each take the time it took, and how often it was handed in before
it met its goals. Practised in ``10_ear_practice``.
"""

from __future__ import annotations

import datetime
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Callable

import numpy as np

from vocomp_lab.analysis.measures import Goal, stage_change
from vocomp_lab.analysis.pitch import pitch_range
from vocomp_lab.lessons.diary import check_began, keep_entry, read_entries
from vocomp_lab.lessons.proposals import propose_stage
from vocomp_lab.lessons.styles import goals_for
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.clip_gain import ClipGain
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.filters import HighPass
from vocomp_lab.singer.song import make_take
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.checks import check_choice, check_number, check_whole, shown
from vocomp_lab.sound.text import decibels

LIMIT_S = 60.0
TAKES = 10
"""A set."""
FOLDER = "skill"
VERSES = ("first", "second")
PREP_SHARE = 0.7
"""Level prep is to bring the words together by at least this share of what the workbook's proposal does."""
LEAST_PREP_LU = -0.5
NOTE_COST_DB, RUMBLE_HZ, RUMBLE_SLACK_DB = 1.0, 40.0, 3.0
"""A low cut may take so much off the lowest notes, and must take nearly as much off rumble as the proposal does. All of these:
common practice, no source."""
_FIRST_SEED, _LAST_SEED = 20_000, 2_000_000_000
_TRIES = 6


@dataclass(frozen=True)
class SkillTask:
    """Something to set.

    Attributes
    ----------
    stage : str
        Of the course.
    title, asks : str
    start : processor
        What it begins with: far off.
    faulty : bool
        Whether the takes have the faults of a recording.
    goals : tuple of Goal
        What its bench shows.
    """

    stage: str
    title: str
    asks: str
    start: object
    faulty: bool
    goals: tuple[Goal, ...] = ()


SKILLS = {
    task.stage: task
    for task in (
        SkillTask(
            "peaks",
            "Peak control",
            "Tame the peaks: bring the compressor to its goals.",
            Compressor(-40, 2, 30, 300),
            False,
            goals_for("peaks"),
        ),
        SkillTask(
            "steady",
            "Steady compression",
            "Even out the words: bring the compressor to its goals.",
            Compressor(-12, 6, 1, 60, 6),
            False,
            goals_for("steady"),
        ),
        SkillTask(
            "low cut",
            "Low cut",
            f"Take out the rumble: as high as it can be while the lowest notes lose {NOTE_COST_DB:g} dB at most.",
            HighPass(20, 1),
            True,
        ),
        SkillTask(
            "level prep",
            "Level prep",
            "Bring what stands out back into line, by regions.",
            ClipGain(),
            True,
        ),
    )
}


@dataclass(frozen=True, eq=False)
class SkillTake:
    """A take to set a stage on.

    Attributes
    ----------
    task : SkillTask
    clip : Clip
    proposed : processor
        What the workbook would set; it meets what is asked, so it can be done.
    """

    task: SkillTask
    clip: Clip
    proposed: object

    def left(self, processor) -> str:
        """What is not met yet, in one sentence; empty when all is."""
        judged = {"low cut": self._low_cut_left, "level prep": self._prep_left}
        return judged.get(self.task.stage, self._goals_left)(processor)

    def _change(self, processor):
        stage = self.task.stage
        return stage_change(Chain([(stage, processor)]).apply(self.clip).stages[stage])

    def _goals_left(self, processor):
        change = self._change(processor)
        missed = [f"{goal}: {goal.verdict(change)}" for goal in self.task.goals if not goal.met(change)]
        return f"{missed[0][0].upper()}{missed[0][1:]}." if missed else ""

    def _low_cut_left(self, processor):
        lowest_hz = pitch_range(self.clip).low_hz
        cost_db = -float(processor.response_db([lowest_hz], self.clip.rate)[0])
        if cost_db > NOTE_COST_DB:
            return f"It takes {decibels(cost_db)} dB off the lowest notes, near {lowest_hz:.0f} Hz; {NOTE_COST_DB:g} dB is the most."
        ours, theirs = (float(one.response_db([RUMBLE_HZ], self.clip.rate)[0]) for one in (processor, self.proposed))
        if ours > theirs + RUMBLE_SLACK_DB:
            return f"At {RUMBLE_HZ:g} Hz it takes off {decibels(-ours)} dB; {decibels(-theirs - RUMBLE_SLACK_DB)} dB is possible."
        return ""

    def _prep_left(self, processor):
        if not processor.regions:
            return "There is no region yet."
        ours, theirs = (self._change(one).every_word_change_lu for one in (processor, self.proposed))
        if ours > PREP_SHARE * theirs:
            return f"The spread of the words has changed by {decibels(ours, 2, sign=True)} LU; {decibels(PREP_SHARE * theirs, 2)} LU is asked for."
        return ""


def make_skill_take(task: SkillTask, seed: int) -> SkillTake:
    """A take by one of the workbook's singers, on which a task can be done. It takes a few seconds.

    Raises
    ------
    ValueError
        If no take near the seed needs what the task is about.
    """
    for further in range(_TRIES):
        verse = VERSES[(seed + further) % len(VERSES)]
        clip = make_take(verse, seed + further, task.faulty).clip
        proposed = propose_stage(task.stage, clip).processor
        if proposed is None:
            continue
        take = SkillTake(task, clip, proposed)
        if task.stage == "level prep" and not take._change(proposed).every_word_change_lu <= LEAST_PREP_LU:
            continue
        if not take.left(proposed):
            return take
    raise ValueError(f"seed: none of the takes from {seed} on needs {task.title.lower()}; give another seed.")


def a_seed(random: np.random.Generator) -> int:
    """A seed that no lesson uses."""
    return int(random.integers(_FIRST_SEED, _LAST_SEED))


# ------------------------------------------------------------------------------------------------------- what is kept


@dataclass(frozen=True)
class SkillResult:
    """How setting one take went.

    Parameters
    ----------
    stage : str
        One of ``SKILLS``.
    began : str
        Date and time, such as "2026-01-31T18:05:00".
    seconds : float
        Until it was handed in for good.
    misses : int
        How often it was handed in before it was met.
    met : bool
        Whether it was met within a minute.
    """

    stage: str
    began: str
    seconds: float
    misses: int
    met: bool

    def __post_init__(self):
        check_choice("stage", self.stage, tuple(SKILLS))
        check_number("seconds", self.seconds, 0, 1e6, "s")
        check_whole("misses", self.misses, 0, 1000)
        if not isinstance(self.met, bool):
            raise ValueError(f"met: {shown(self.met)} is not allowed; give True or False.")
        check_began(self.began)


def keep_skill(state: Path, result: SkillResult) -> Path:
    """Keep how a take went, in a file of its own.

    Raises
    ------
    ValueError
        If it can't be written.
    """
    return keep_entry(state, result.began, result.stage, asdict(result))


def read_skill(state: Path) -> tuple[SkillResult, ...]:
    """All results that were kept, the oldest first. A file that can't be read is left aside, and left alone."""
    return read_entries(state, lambda data: SkillResult(**data))


def skill_sentence(results, stage: str) -> str:
    """The last set of ten takes of a task, beside the ten before."""
    ours = [one for one in results if one.stage == check_choice("stage", stage, tuple(SKILLS))]
    if not ours:
        return "No take yet."
    sets: list[list[SkillResult]] = [ours[-TAKES:], ours[-2 * TAKES : -TAKES]]
    told = [_set_told(one) for one in sets if one]
    return f"The last {told[0]}" + (f" Before: {told[1]}" if len(told) > 1 else "")


def _set_told(results: list[SkillResult]) -> str:
    met = [one for one in results if one.met]
    time_told = f", in {np.median([one.seconds for one in met]):.0f} s (half of them quicker)" if met else ""
    misses = sum(one.misses for one in results)
    tries = f"{misses} {'try' if misses == 1 else 'tries'} that missed"
    return f"{len(results)} {'take' if len(results) == 1 else 'takes'}: {len(met)} met in a minute{time_told}, {tries}."


def with_time(result_began: datetime.datetime, stage: str, seconds: float, misses: int, met: bool) -> SkillResult:
    """A result, with its time as it is kept."""
    return SkillResult(stage, result_began.isoformat(timespec="seconds"), round(seconds, 1), misses, met)
