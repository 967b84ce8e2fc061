"""Collecting the answer sheets of a class server: from the students' homes into one folder, for the marker.

The home that a sheet is in says whose it is. Only a sheet signed with that login name is taken, so nobody can hand in
work under another name.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from vocomp_lab.exercises.homework import FOLDER as ANSWERS
from vocomp_lab.exercises.learners import check_learner, composed
from vocomp_lab.exercises.sheets import load_sheet, sheet_name, shown_path
from vocomp_lab.jupyter.classroom import FOLDER
from vocomp_lab.sound.files import write_whole
from vocomp_lab.sound.text import printable


@dataclass(frozen=True)
class Collected:
    """The outcome for a class.

    Attributes
    ----------
    taken : list of Path
        The sheets, in the folder that they were collected in.
    changed : list of Path
        Those that are new, or have changed since the last collection.
    notes : list of (str, str)
        A file or login name, and one sentence on why nothing was taken.
    """

    taken: list
    changed: list
    notes: list


def homes_of_group(group: str) -> dict[str, Path]:
    """The home folders of a group's members, by login name.

    Raises
    ------
    ValueError
        If this system has no such group, or no groups at all (Windows).
    """
    try:
        import grp
        import pwd

        found = grp.getgrnam(group)
    except (ImportError, KeyError):
        raise ValueError(f"group: {group!r} is not a group of this system; give the one that may log in.") from None
    # Members are also looked up one by one: a directory of accounts on another machine may not list them all.
    homes = {account.pw_name: account.pw_dir for account in pwd.getpwall() if account.pw_gid == found.gr_gid}
    for name in found.gr_mem:
        try:
            homes[name] = pwd.getpwnam(name).pw_dir
        except KeyError:  # a member who has no account, or no longer has one
            continue
    return {name: Path(home) for name, home in homes.items()}


def collect(homes: dict, out) -> Collected:
    """Copy the answer sheets of a class into a folder.

    Parameters
    ----------
    homes : dict
        Home folders by login name. A home that is missing, or has no sheets, is passed over.
    out : path-like
        Made if missing, so that only its owner can look in. Newer sheets replace those of an earlier collection.

    Returns
    -------
    Collected

    Raises
    ------
    OSError
        If `out` can't be written.

    Notes
    -----
    A sheet that is signed with another name, or can't be read, stays where it is, and a note says so. Run as an
    administrator, this writes nothing but valid sheets, and nothing in the homes.
    """
    out = Path(out)
    out.parent.mkdir(parents=True, exist_ok=True)
    out.mkdir(mode=0o700, exist_ok=True)
    taken, changed, notes = [], [], []
    for login, home in sorted(homes.items()):
        try:
            files = sorted((Path(home) / FOLDER / "homework" / ANSWERS).iterdir())
        except (FileNotFoundError, NotADirectoryError):
            continue
        except OSError as error:
            notes.append((login, f"Not looked at. The folder can't be opened ({error.strerror})."))
            continue
        for file in files:
            if file.name.startswith(".") or file.suffix != ".json":
                continue
            try:
                target, text = out / composed(file.name), _signed(file, login).to_json()
                if target in taken:
                    raise ValueError(f"There are two files called {target.name}; the other one was taken.")
                if not target.exists() or target.read_text("utf-8") != text:
                    write_whole(target, text)
                    changed.append(target)
                _keep_time(file, target)
                taken.append(target)
            except ValueError as error:
                notes.append((f"{login}: {shown_path(file.name)}", f"Not taken. {printable(str(error))}"))
    return Collected(taken, changed, notes)


def _keep_time(file: Path, target: Path) -> None:
    """Give the copy the time of the file, with which the marker compares the times in the sheet."""
    try:
        changed_ns = file.stat().st_mtime_ns
    except FileNotFoundError:  # gone meanwhile
        return
    os.utime(target, ns=(changed_ns, changed_ns))


def _signed(file: Path, login: str):
    """The sheet in a file; a ValueError if it is not signed and named with the login name."""
    sheet = load_sheet(file)
    if sheet.learner != check_learner(login):
        raise ValueError(f"It is signed {sheet.learner!r}; on a class server the learner's id is the login name.")
    if composed(file.name) != sheet_name(sheet.homework, sheet.learner):
        raise ValueError(f"It should be called {sheet_name(sheet.homework, sheet.learner)}.")
    return sheet
