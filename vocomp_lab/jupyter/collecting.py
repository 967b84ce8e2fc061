"""The answer sheets of a class server, out of the students' homes into one folder, for the marker.

Whose a sheet is follows from the home that it lies in: only what is signed with the login name is taken, so nobody can
hand in under another's name. The first sheets belong to lesson ``01_levels_and_meters``.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from vocomp_lab.exercises.homework import FOLDER as ANSWERS
from vocomp_lab.exercises.learners import check_learner
from vocomp_lab.exercises.sheets import load_sheet, sheet_name
from vocomp_lab.jupyter.classroom import FOLDER
from vocomp_lab.sound.files import write_whole


@dataclass(frozen=True)
class Collected:
    """What came of a class.

    Attributes
    ----------
    taken : list of Path
        The sheets, where they are now.
    changed : list of Path
        Those of them that are new, or other than at the last collection.
    notes : list of (str, str)
        A file or login name, and one sentence on why nothing was taken there.
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
        raise ValueError(f"group: {group!r} is no group of this system; give the one that may log in.") from None
    # Asked for one by one, too: a directory of accounts on another machine need not list them all.
    homes = {account.pw_name: account.pw_dir for account in pwd.getpwall() if account.pw_gid == found.gr_gid}
    for name in found.gr_mem:
        try:
            homes[name] = pwd.getpwnam(name).pw_dir
        except KeyError:  # a member without an account, or no longer with one
            continue
    return {name: Path(home) for name, home in homes.items()}


def collect(homes: dict, out) -> Collected:
    """Copy the answer sheets of a class into a folder.

    Parameters
    ----------
    homes : dict
        Home folders by login name; who has none, or no sheets in it, is passed over.
    out : path-like
        Made if missing, then for its owner's eyes only. Sheets of an earlier collection are replaced by newer ones.

    Returns
    -------
    Collected

    Raises
    ------
    OSError
        If `out` can't be written.

    Notes
    -----
    A sheet that another name is signed on, or that can't be read, stays where it is and is told. Run as an
    administrator, it writes nothing but valid sheets, and nothing into the homes. Sheets begin beside
    ``01_levels_and_meters``.
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
                target, text = out / file.name, _signed(file, login).to_json()
                if not target.exists() or target.read_text("utf-8") != text:
                    write_whole(target, text)
                    changed.append(target)
                taken.append(target)
            except ValueError as error:
                notes.append((f"{login}: {file.name}", f"Not taken. {error}"))
    return Collected(taken, changed, notes)


def _signed(file: Path, login: str):
    """The sheet in a file; ValueError if it is not signed and named with the login name."""
    sheet = load_sheet(file)
    if sheet.learner != check_learner(login):
        raise ValueError(f"It is signed {sheet.learner!r}; on a class server the learner's id is the login name.")
    if file.name != sheet_name(sheet.homework, sheet.learner):
        raise ValueError(f"It should be called {sheet_name(sheet.homework, sheet.learner)}.")
    return sheet
