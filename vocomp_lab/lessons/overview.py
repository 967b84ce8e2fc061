"""Where a student stands with a voice: lessons begun and met, what counts now, homework; and starting a lesson again.

Nothing is deleted: what is started again is moved aside, into ``aside`` beside the sheets, and :func:`undo` brings it back.
"""

from __future__ import annotations

import datetime
import glob
import itertools
from dataclasses import dataclass
from pathlib import Path

from vocomp_lab.analysis.measures import stage_change
from vocomp_lab.lessons.chosen import Choice, read_choice
from vocomp_lab.lessons.course import LAST, LESSON_STAGES, Lesson, begin
from vocomp_lab.lessons.goals import GOALS
from vocomp_lab.lessons.kept import Sheet, newest_of_all, read_sheet
from vocomp_lab.lessons.unkept import keeping
from vocomp_lab.singer.song import shipped_names
from vocomp_lab.sound.checks import check_choice

ASIDE = "aside"
SINCE_UNDONE = "after_undo"


@dataclass(frozen=True)
class Progress:
    """How far one lesson has come with a voice.

    Attributes
    ----------
    lesson : str
    begun, kept : str
        The dates; empty if it wasn't.
    stages : str
        What it kept that counts now, and what it left out, in words.
    goals : str
        Whether the lesson's goals are met by what counts now: "met", "not met: …", or empty where it has none.
    """

    lesson: str
    begun: str
    kept: str
    stages: str
    goals: str


def voices(parent: Path) -> dict[str, Path]:
    """The voices that something was begun or kept for, by what people call them, with their folders.

    Parameters
    ----------
    parent : Path
        The folder of all sheets.
    """
    folders = [one for one in sorted(parent.glob("*")) if one.is_dir() and sound_of(one) is not None]
    return {_called(folder, parent): folder for folder in folders}


def sound_of(folder: Path) -> Path | str | None:
    """Where the sound of a voice is: the copy of a file, or the name of a clip of the workbook; None if it isn't kept."""
    if folder.name in shipped_names():
        return folder.name
    return next((one.resolve() for one in sorted(folder.glob("voice.*"))), None)


def _called(folder: Path, parent: Path) -> str:
    if folder.name in shipped_names():
        return Choice(folder.name).spoken
    choice = read_choice(parent)
    if isinstance(choice, Choice) and choice.file and (parent / choice.file).parent == folder:
        return choice.name
    stem, _, digest = folder.name.rpartition("_")
    alone = len(list(parent.glob(f"{glob.escape(stem)}_*/voice.*"))) == 1
    return stem if alone else f"{stem} ({digest[:4]})"


def standing(lesson: Lesson) -> tuple[Progress, ...]:
    """How far each lesson has come with the voice of a lesson."""
    folder = lesson.folder
    sheets = {name: read_sheet(folder / f"{name}.json") for name in LESSON_STAGES}
    counts = newest_of_all(sheets, LESSON_STAGES)
    last = lesson if lesson.name == LAST else begin(LAST, _again(lesson), folder.parent)
    result = (
        last.with_stages(last.kept).apply(last.clip) if any(isinstance(one, Sheet) for one in sheets.values()) else None
    )
    rows = []
    for name, own in LESSON_STAGES.items():
        sheet = sheets[name]
        begun = _read_date(folder / f"{name}.begun")
        if isinstance(sheet, str):
            rows.append(Progress(name, begun, "", sheet, ""))
            continue
        if sheet is None:
            rows.append(Progress(name, begun, "", "", ""))
            continue
        kept = datetime.date.fromtimestamp(sheet.kept_at_ns / 1e9).isoformat()
        ours = dict(sheet.chain.stages)
        # What another lesson kept later as it was here is still what this one says.
        holds = [stage for stage in own if (one := counts.get(stage)) and _says_so(one, name, stage, sheet)]
        said = [stage for stage in holds if counts[stage].processor is not None]
        out = [stage for stage in holds if counts[stage].processor is None]
        older = [stage for stage in ours if stage not in said]
        told = ", ".join(said) or ("" if older or out else "nothing")
        told += f"{'; ' if told else ''}left out: {', '.join(out)}" if out else ""
        told += f"{'; ' if told else ''}newer elsewhere: {', '.join(older)}" if older else ""
        rows.append(Progress(name, begun or kept, kept, told, _goals(result, said)))
    return tuple(rows)


def next_lesson(found) -> str:
    """The lesson to do next: the first that kept nothing yet, or whose goals aren't met; empty if there is none.

    Parameters
    ----------
    found : sequence of Progress
        From :func:`standing`. Lessons without a stage of their own are left out.
    """
    open_ones = (
        one for one in found if LESSON_STAGES[one.lesson] and (not one.kept or one.goals.startswith("not met"))
    )
    return next((one.lesson for one in open_ones), "")


def _says_so(counted, name: str, stage: str, sheet: Sheet) -> bool:
    """Whether what counts for a stage is what a lesson's sheet says: it kept it last, or another one kept the same."""
    if counted.lesson == name:
        return True
    if counted.processor is None:
        return stage in sheet.left_out
    return dict(sheet.chain.stages).get(stage) == counted.processor


def _again(lesson: Lesson):
    """The voice of a lesson, for another lesson: with its truth where it comes with the workbook."""
    return lesson.folder.name if lesson.folder.name in shipped_names() else lesson.clip


def _goals(result, stages) -> str:
    """Whether the stages meet the goals of the lessons, in the whole chain as it counts now."""
    missed, asked = [], [name for name in stages if name in GOALS]
    for name in asked:
        change = stage_change(result.stages[name])
        missed += [f"{name}, {goal}" for goal in GOALS[name] if not goal.met(change)]
    return f"not met: {'; '.join(missed)}" if missed else "met" if asked else ""


def _read_date(path: Path) -> str:
    try:
        return datetime.date.fromisoformat(path.read_text("utf-8").strip()).isoformat()
    except (OSError, ValueError):
        return ""


def start_again(folder: Path, lesson: str = "") -> str:
    """Move what a lesson kept for a voice aside; without a name, what all lessons kept.

    Parameters
    ----------
    folder : Path
        Where that voice's sheets are.
    lesson : str
        One of ``LESSON_STAGES``, or empty for all.

    Returns
    -------
    str
        A sentence that says what was done.

    Raises
    ------
    ValueError
        If there is no such lesson.
    NotKept
        If it can't be moved.

    Notes
    -----
    The band, the names of words, judgements and answers stay.
    """
    if lesson:
        check_choice("lesson", lesson, tuple(LESSON_STAGES))
    moved = [
        path
        for name in ([lesson] if lesson else LESSON_STAGES)
        for path in (folder / f"{name}.json", folder / f"{name}.begun")
        if path.exists()
    ]
    if not moved:
        return "There is nothing to start again: nothing was begun or kept."
    with keeping(folder / ASIDE):
        _move(moved, _new_folder(folder / ASIDE))
    if not lesson:
        return "All lessons start again for this voice; Undo brings back what you kept."
    others = {name: read_sheet(folder / f"{name}.json") for name in LESSON_STAGES}
    counts = newest_of_all(others, LESSON_STAGES)
    still = sorted({counts[stage].lesson for stage in LESSON_STAGES[lesson] if stage in counts})
    also = f" What you kept for its stages in {', '.join(still)} still counts." if still else ""
    return f"{lesson} starts again; Undo brings back what you kept.{also}"


def undo(folder: Path) -> str:
    """Bring back what was moved aside last. What was kept in its place since then is moved aside in turn, and stays there.

    Parameters, result and errors as :func:`start_again`.
    """
    there = [one for one in (folder / ASIDE).glob("[0-9]*") if one.name.isdigit() and any(one.iterdir())]
    if not there:
        return "There is nothing to undo."
    last = max(there, key=lambda one: int(one.name))
    back = sorted(last.iterdir())
    newer = [folder / path.name for path in back if (folder / path.name).exists()]
    with keeping(folder / ASIDE):
        if newer:
            _move(newer, _new_folder(folder / ASIDE / SINCE_UNDONE))
        for path in back:
            path.rename(folder / path.name)
    names = ", ".join(path.stem for path in back if path.suffix == ".json") or "the lessons that were begun"
    also = f" What you kept since then is in {ASIDE}/{SINCE_UNDONE}." if newer else ""
    return f"Back as it was: {names}.{also}"


def _new_folder(parent: Path) -> Path:
    """A new folder whose name is a number, higher than all that are there."""
    parent.mkdir(parents=True, exist_ok=True)
    for number in itertools.count(
        1 + max((int(one.name) for one in parent.iterdir() if one.name.isdigit()), default=0)
    ):
        made = parent / f"{number:03d}"
        try:
            made.mkdir()
            return made
        except FileExistsError:
            continue


def _move(paths, folder: Path):
    for path in paths:
        path.rename(folder / path.name)
