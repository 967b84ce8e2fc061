"""What was handed in: every file of a folder is a sheet to mark, marking's own, or told with a reason.

Two different sheets of one learner for one homework count for nobody until the teacher has said which is the right one:
otherwise a sheet with somebody else's id in it could take that learner's marks.
"""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import dataclass, field
from pathlib import Path

from vocomp_lab.exercises.class_rules import NO_RULES, ClassRules
from vocomp_lab.exercises.class_settings import CLASS_FILE
from vocomp_lab.exercises.journal import is_journal
from vocomp_lab.exercises.learners import GUEST
from vocomp_lab.exercises.sheets import (
    Sheet,
    load_sheet,
    odd_times,
    read_sheet,
    sheet_bytes,
    sheet_name,
    shown_path,
)

TABLE_BEGINS = b"learner,homework,points,of"
"""How a table of marks begins, by which one is known that has any name."""


_ARCHIVES = (".zip", ".7z", ".rar", ".tar", ".gz", ".tgz", ".bz2", ".xz")


@dataclass(frozen=True)
class HandedIn:
    """A sheet that was handed in. Its answers are read again when they are needed, so that any class fits in memory.

    Attributes
    ----------
    path : Path
    learner, homework : str
    content : bytes
        A digest of what it says; two sheets that differ in layout only have the same.
    """

    path: Path
    learner: str
    homework: str
    content: bytes

    def sheet(self) -> Sheet:
        """The sheet; a ValueError if the file has changed meanwhile."""
        sheet = load_sheet(self.path)
        if _digest(sheet) != self.content:
            raise ValueError("The file changed while the class was being marked; mark again.")
        return sheet


@dataclass(frozen=True)
class Conflict:
    """Different sheets of one learner for one homework, none of which counts.

    Attributes
    ----------
    learner, homework : str
    files : tuple of str
        As they can be shown and given to ``--accept``.
    """

    learner: str
    homework: str
    files: tuple[str, ...]

    def __str__(self):
        listed = f"{', '.join(self.files[:-1])} and {self.files[-1]}"
        return (
            f"{self.learner}'s homework {self.homework} was handed in {len(self.files)} times with different content "
            f"({listed}); none of them counts until you take the wrong ones away, or name the right one under accept in class.toml "
            "or by --accept."
        )


@dataclass
class Gathered:
    """What a folder holds.

    Attributes
    ----------
    sheets : dict of str to HandedIn
        The sheets to mark, one for each learner and homework, by file name within the folder.
    notes : list of (str, str)
        A file name and what is to be told about it.
    conflicts : list of Conflict
    """

    sheets: dict[str, HandedIn] = field(default_factory=dict)
    notes: list = field(default_factory=list)
    conflicts: list[Conflict] = field(default_factory=list)


def gather(folder: Path, out: Path | None = None, accept=(), rules: ClassRules = NO_RULES) -> Gathered:
    """The sheets in a folder and its subfolders, and what is to be told about everything else.

    Parameters
    ----------
    folder : Path
    out : Path, optional
        The table that marking writes: it, and what is written beside it, is passed over.
    accept : sequence of path-likes
        Sheets that the teacher has found to be the right ones, in the folder or as they are told.
    rules : ClassRules
        What the teacher gave: its files are no sheets, and it may let several sheets of one homework count.

    Raises
    ------
    ValueError
        If the folder can't be opened, or `accept` names something else than a sheet in it, or two for one homework.
    """
    gathered, found = Gathered(), {}
    for file in _files(folder, gathered.notes):
        name = file.relative_to(folder).as_posix()
        if rules.owns(file):
            continue
        try:
            handed_in, odd = _handed_in(file)
        except ValueError as error:
            if not _own(file, out):
                gathered.notes.append((name, f"Not marked. {error}"))
            continue
        found.setdefault((handed_in.learner, handed_in.homework), []).append((name, handed_in))
        if odd:
            more = f" (and {len(odd) - 1} more like it)" if len(odd) > 1 else ""
            gathered.notes.append(
                (name, f"A clock was set wrong, or times were written by hand{more}: {odd[0]} The mark stands.")
            )
    names = {name for files in found.values() for name, _ in files}
    accepted = _accepted(folder, accept, names)
    for path in rules.settings.accept:
        try:
            accepted |= _accepted(folder, [path], names)
        except ValueError as error:  # the sheet may have been taken away since
            gathered.notes.append((CLASS_FILE, str(error)))
    for files in found.values():
        _choose(files, accepted, gathered, rules.settings.several)
    gathered.conflicts.sort(key=lambda conflict: (conflict.learner, conflict.homework))
    return gathered


def _choose(files, accepted, gathered: Gathered, several: str) -> None:
    """Decide on the files of one learner and homework. With `several`, all that differ are marked, and the class's rules
    make one mark of them.
    """
    learner, homework = files[0][1].learner, files[0][1].homework
    usual = sheet_name(homework, learner)
    # Among copies of one content, the one with the name that the workbook gives goes first.
    files.sort(key=lambda item: (item[0] not in accepted, Path(item[0]).name != usual, item[0]))
    (name, chosen), *others = files
    differ = any(handed_in.content != chosen.content for _, handed_in in others)
    if len({handed_in.content for file, handed_in in files if file in accepted}) > 1:
        raise ValueError(
            f"accept: {shown_path(name)} and {shown_path(others[0][0])} are for the same homework; give one."
        )
    if name in accepted and not differ:
        gathered.notes.append((name, "Accepted, but there was nothing to decide: it is the only one of its kind."))
    if differ and name not in accepted and several:
        versions = {handed_in.content: (file, handed_in) for file, handed_in in reversed(files)}
        gathered.sheets |= dict(reversed(versions.values()))
        others = [(file, handed_in) for file, handed_in in others if file not in gathered.sheets]
    elif differ and name not in accepted:
        gathered.conflicts.append(Conflict(learner, homework, tuple(shown_path(file) for file, _ in files)))
        return
    gathered.sheets[name] = chosen
    for file, _ in files if several else files[:1]:
        if file in gathered.sheets and Path(file).name != usual:
            says = f"Marked, but wrongly named: the id and homework in it are {learner} and {homework}, as in {usual}."
            gathered.notes.append((file, says))
    for other, handed_in in others:
        same = "the same" if handed_in.content == chosen.content else "other"
        gathered.notes.append(
            (
                other,
                f"Not marked. {learner}'s homework {homework} is there twice, with {same} content; "
                f"{shown_path(name)} was marked.",
            )
        )


def _accepted(folder: Path, accept, names) -> set[str]:
    """The names within the folder of the sheets that the teacher accepts."""
    shown = {shown_path(name): name for name in names}
    accepted = set()
    for path in accept:
        ways = [str(path), shown_path(path)]
        for whole in (Path(path).absolute(), Path(path).resolve()):
            for base in (folder.absolute(), folder.resolve()):
                if whole.is_relative_to(base):
                    ways.append(whole.relative_to(base).as_posix())
        # As told comes first: a file's own name may look like the escapes in another's.
        known = next((shown.get(way) or shown[shown_path(way)] for way in ways if way in shown or way in names), None)
        if known is None:
            raise ValueError(f"accept: {shown_path(path)} is not an answer sheet in {shown_path(folder)}.")
        accepted.add(known)
    return accepted


def _files(folder: Path, notes: list):
    """All files but hidden ones, in order. What can't be looked into is told."""
    waiting = [folder]
    while waiting:
        at = waiting.pop()
        try:
            with os.scandir(at) as found:
                entries = sorted(found, key=lambda entry: entry.name)
        except OSError as error:
            if at == folder:
                raise ValueError(f"folder: {shown_path(folder)} can't be opened ({error.strerror}).") from None
            name = at.relative_to(folder).as_posix()
            notes.append((name, f"Not looked into. The folder can't be opened ({error.strerror})."))
            continue
        inner = []
        for entry in entries:
            if entry.name.startswith("."):
                continue
            path = at / entry.name
            if _is_folder(entry):
                inner.append(path)
            elif entry.is_symlink() and os.path.isdir(path):
                name = path.relative_to(folder).as_posix()
                notes.append((name, "Not looked into. It is a link to another folder; copy the sheets here instead."))
            else:
                yield path
        waiting += reversed(inner)


def _is_folder(entry) -> bool:
    try:
        return entry.is_dir(follow_symlinks=False)
    except OSError:
        return False


def _handed_in(file: Path) -> tuple[HandedIn, list[str]]:
    """A file as a sheet to mark, and what is odd about its times; a ValueError of one sentence if it is none."""
    if file.suffix.lower() in _ARCHIVES:
        raise ValueError("It is an archive; unpack it here, and mark again.")
    if file.suffix.lower() != ".json":
        raise ValueError("The name of an answer sheet ends in .json.")
    raw = sheet_bytes(file)
    sheet = read_sheet(raw)
    if sheet.learner == GUEST:
        raise ValueError("It is a guest's sheet, and guests get no marks.")
    try:
        changed_s = file.stat().st_mtime
    except OSError:
        changed_s = None
    return HandedIn(file, sheet.learner, sheet.homework, _digest(sheet)), odd_times(sheet, changed_s)


def _digest(sheet: Sheet) -> bytes:
    answers = {name: entry.to_data() for name, entry in sheet.answers.items()}
    try:
        text = json.dumps([sheet.homework, sheet.learner, answers])
    except RecursionError:
        raise ValueError("Its answers are nested too deeply.") from None
    return hashlib.sha256(text.encode()).digest()


def _own(file: Path, out: Path | None) -> bool:
    """Whether marking has written a file, now or with another table's name. A file that is a sheet is never asked about,
    so nothing can be hidden behind this.
    """
    at = file.parent
    if at.name.endswith(".pages") and file.name.startswith("page_") and file.suffix == ".html":
        return True
    if out is not None and at.resolve() == out.parent.resolve() and _named_after(file.name, out.stem):
        return True
    parts = file.name.split(".")
    if any(is_journal(at / f"{'.'.join(parts[:place])}.journal") for place in range(1, len(parts) + 1)):
        return True
    return is_table(file)


def is_table(file: Path) -> bool:
    """Whether a file is a table of marks."""
    try:
        return file.is_file() and sheet_bytes(file).removeprefix(b"\xef\xbb\xbf").startswith(TABLE_BEGINS)
    except (OSError, ValueError):
        return False


def _named_after(name: str, table: str) -> bool:
    return name == table or name.startswith(f"{table}.")
