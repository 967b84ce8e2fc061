"""What a teacher gives besides the sheets, read once for a run of the marker: the settings and the class list."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from vocomp_lab.exercises.class_list import ClassList, read_class_list
from vocomp_lab.exercises.class_settings import CLASS_FILE, DEFAULTS, ClassSettings, read_class_settings
from vocomp_lab.exercises.grading import grade_all
from vocomp_lab.exercises.sheets import shown_path


@dataclass(frozen=True)
class ClassRules:
    """The settings and the class list of a run.

    Attributes
    ----------
    settings : ClassSettings
    listed : ClassList or None
    files : tuple of Path
        The files that they were read from, which are no answer sheets.
    notes : tuple of (str, str)
        What the report says about them.
    """

    settings: ClassSettings = DEFAULTS
    listed: ClassList | None = None
    files: tuple[Path, ...] = ()
    notes: tuple[tuple[str, str], ...] = ()

    def owns(self, file: Path) -> bool:
        """Whether this is one of the files that the rules were read from."""
        return file.name in {own.name for own in self.files} and file.resolve() in self.files

    def applied(self, marks) -> tuple[list, list]:
        """The marks of a class after these rules, and notes; see :func:`vocomp_lab.exercises.grading.grade_all`."""
        left = [mark for mark in marks if mark["learner"] in self.settings.withdrawn]
        passed_over = [(mark["file"], f"Passed over: {mark['learner']} has withdrawn.") for mark in left]
        marks, notes = grade_all([mark for mark in marks if mark not in left], self.settings)
        return marks, [*notes, *passed_over, *self.notes, *self._who_is_missing(marks)]

    def _who_is_missing(self, marks):
        if self.listed is None:
            return
        name, seen = shown_path(self.files[-1].name), {mark["learner"] for mark in marks}
        for one in self.listed.learners:
            if one.id not in {*seen, *self.settings.withdrawn}:
                yield name, f"{one} has handed in nothing that could be marked."
        for mark in marks:
            if mark["learner"] not in self.listed:
                like = self.listed.spelled_like(mark["learner"])
                hint = f" ({like} is: a spreadsheet takes zeros away, so make that column text)" if like else ""
                yield (
                    mark["file"],
                    f"{mark['learner']} is not on the class list{hint}; the sheet was marked all the same.",
                )


NO_RULES = ClassRules()


def read_class(folder, class_file=None, list_file=None) -> ClassRules:
    """The rules for a folder of answer sheets.

    Parameters
    ----------
    folder : path-like
        If it holds an ordinary file ``class.toml``, that is read.
    class_file : path-like, optional
        Read instead of it.
    list_file : path-like, optional
        The class list, instead of the one that ``class.toml`` names.

    Raises
    ------
    ValueError
        In one sentence, if a file can't be read or something in it is not allowed.
    """
    settings, listed, files, notes = DEFAULTS, None, [], []
    there = Path(folder) / CLASS_FILE
    if class_file is None and there.is_file() and not there.is_symlink():
        class_file = there
    elif class_file is not None and there.exists() and there.resolve() != Path(class_file).resolve():
        files.append(there.resolve())
        notes.append((CLASS_FILE, "Not read, since another file was given instead."))
    if class_file is not None:
        class_file = Path(class_file)
        settings = read_class_settings(class_file)
        files.append(class_file.resolve())
        notes.append(
            (shown_path(class_file.name), f"Read for this class: {settings.in_words()}.{_about_zone(settings)}")
        )
        if list_file is None and settings.class_list:
            list_file = class_file.parent / settings.class_list
    if list_file is not None:
        listed = read_class_list(list_file)
        if listed.passed_over:
            columns = f"column{'s' * (len(listed.passed_over) > 1)} {', '.join(map(repr, listed.passed_over))}"
            notes.append((shown_path(Path(list_file).name), f"Passed over: {columns}; id, name and group are read."))
        files.append(Path(list_file).resolve())  # the last one: the report calls the list by its name
    return ClassRules(settings, listed, tuple(files), tuple(notes))


def _about_zone(settings: ClassSettings) -> str:
    """Which offset the due dates were taken in, where neither they nor the file say it."""
    days = {"": settings.due} | settings.due_for
    without = [
        (homework, one) for one in days for homework, day in days[one].items() if not getattr(day, "tzinfo", None)
    ]
    if settings.zone or not without:
        return ""
    offsets = sorted({settings.due_at(*which).isoformat()[-6:] for which in without})
    return f' Due dates are in the time of this machine ({", ".join(offsets)}); zone = "…" sets another.'
