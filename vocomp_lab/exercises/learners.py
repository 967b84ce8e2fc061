"""Learners and their random numbers: the same learner always gets the same task, another one a different task."""

from __future__ import annotations

import hashlib
import os
import re
import unicodedata

from vocomp_lab.sound.checks import shown
from vocomp_lab.sound.seeded import stream

GUEST = "guest"
"""The learner in a notebook that nobody has put a name in: everything works, nothing is kept."""
_ID = re.compile(r"[\w@-][\w.@-]{0,63}")
_MOST_BYTES = 200
"""An id is part of a file's name, which on most systems has 255 bytes at most; a letter may take four."""


def composed(text: str) -> str:
    """`text` with each letter and its accent in one (Unicode's NFC). A Mac's file names have them apart, so "zoë" there
    and "zoë" elsewhere are not the same until both are composed.
    """
    return unicodedata.normalize("NFC", text)


def check_learner(learner) -> str:
    """A learner's id in its standard spelling: composed letters, lower case.

    Raises
    ------
    ValueError
        If it is not 1 to 64 letters, digits or any of ``_ - @ .`` (no dot in front), or takes over 200 bytes.
    """
    text = composed(composed(learner.strip()).casefold()) if isinstance(learner, str) else ""
    if not _ID.fullmatch(text):
        raise ValueError(
            f"learner: {shown(learner)} is not allowed; give 1 to 64 letters, digits or _ - @ . without spaces."
        )
    if len(text.encode()) > _MOST_BYTES:
        raise ValueError(
            f"learner: {shown(learner)} is too long for the name of a file; give at most 50 letters of this script."
        )
    return text


def or_who_is_logged_in(learner: str) -> str:
    """The id itself. On a class server (JupyterHub) the login name replaces "guest", so nobody loses work by not typing
    an id.

    Raises
    ------
    ValueError
        As :func:`check_learner`.
    """
    learner = check_learner(learner)
    try:
        return check_learner(os.environ["JUPYTERHUB_USER"]) if learner == GUEST else learner
    except (KeyError, ValueError):  # not a class server, or the login name is not allowed as an id
        return learner


class Draw:
    """A learner's random choices for one task.

    Parameters
    ----------
    learner : str
    task : str
        Homework and task, such as "04 computer".
    """

    def __init__(self, learner: str, task: str):
        self._learner = learner
        seed = int.from_bytes(hashlib.sha256(check_learner(learner).encode()).digest()[:4], "big") >> 1
        self._random = stream(seed, f"homework {task}")

    def shared(self, name: str) -> "Draw":
        """The same learner's choices for something that several tasks share, such as a take; they always start afresh."""
        return Draw(self._learner, name)

    def choice(self, values):
        """One of the values."""
        values = list(values)
        return values[self._random.randint(len(values))]

    def sample(self, values, count: int) -> list:
        """Several different values, kept in order."""
        values = list(values)
        return [values[place] for place in sorted(self._random.permutation(len(values))[:count])]

    def shuffled(self, values) -> list:
        """All the values in a random order."""
        values = list(values)
        return [values[place] for place in self._random.permutation(len(values))]

    def step(self, low: float, high: float, step: float) -> float:
        """A number from `low` to `high`, both included, in steps of `step`."""
        count = int(round((high - low) / step))
        return round(low + step * int(self._random.randint(count + 1)), 6)

    def seed(self) -> int:
        """A seed for another random generator."""
        return int(self._random.randint(2**31 - 1))
