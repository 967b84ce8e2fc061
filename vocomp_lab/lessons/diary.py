"""Entries that a learner's practice leaves, a file each: a new one is added, and none is ever replaced."""

from __future__ import annotations

import datetime
import json
from collections.abc import Callable
from pathlib import Path

from vocomp_lab.lessons.unkept import not_kept
from vocomp_lab.sound.checks import shown
from vocomp_lab.sound.files import is_taken, write_whole


def check_began(began) -> None:
    """Refuse what is no date and time.

    Raises
    ------
    ValueError
    """
    try:
        datetime.datetime.fromisoformat(began)
    except (TypeError, ValueError):
        raise ValueError(
            f"began: {shown(began)} is not allowed; give a date and time such as '2026-01-31T18:05:00'."
        ) from None


def keep_entry(folder: Path, began: str, name: str, data: dict) -> Path:
    """Write an entry into a file of its own, named after when it began and what it is.

    Raises
    ------
    ValueError
        If it can't be written.
    """
    stem = f"{began[:19].replace(':', '')}_{name.replace(' ', '_')}"
    number, path = 1, folder / f"{stem}.json"
    try:
        while is_taken(path):
            number += 1
            path = folder / f"{stem}_{number}.json"
        return write_whole(path, json.dumps(data, indent=1, ensure_ascii=False) + "\n")
    except OSError as error:
        raise ValueError(not_kept(error, path)) from None


def read_entries(folder: Path, read: Callable) -> tuple:
    """All entries, the oldest first, each as `read` makes it of its data. A file that can't be read is left aside, and left alone."""
    found = []
    for path in sorted(folder.glob("*.json")) if folder.is_dir() else ():
        try:
            found.append(read(json.loads(path.read_text("utf-8"))))
        except (OSError, ValueError, TypeError):
            continue
    return tuple(sorted(found, key=lambda one: one.began))
