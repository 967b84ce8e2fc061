"""Who is asked, and the random numbers that are theirs: the same learner always gets the same task, another gets
another.

The first homework that draws them belongs to lesson ``01_levels_and_meters``.
"""

from __future__ import annotations

import hashlib
import os
import re
import unicodedata

from vocomp_lab.sound.checks import shown
from vocomp_lab.sound.seeded import stream

GUEST = "guest"
"""The learner of a notebook that nobody has put a name into: all works, nothing is kept."""
_ID = re.compile(r"[\w@-][\w.@-]{0,63}")


def check_learner(learner) -> str:
    """A learner's id in its one spelling: composed letters, lower case.

    Raises
    ------
    ValueError
        If it is not 1 to 64 letters, digits or any of ``_ - @ .`` (no dot in front).
    """
    text = unicodedata.normalize("NFC", learner.strip()).casefold() if isinstance(learner, str) else ""
    if not _ID.fullmatch(text):
        raise ValueError(
            f"learner: {shown(learner)} is not allowed; give 1 to 64 letters, digits or _ - @ . without spaces."
        )
    return text


def or_who_is_logged_in(learner: str) -> str:
    """The id itself; but on a class server (JupyterHub) the login name stands in for a guest's, so that nobody's work
    is lost because an id was not typed in.

    Raises
    ------
    ValueError
        As :func:`check_learner`.
    """
    learner = check_learner(learner)
    try:
        return check_learner(os.environ["JUPYTERHUB_USER"]) if learner == GUEST else learner
    except (KeyError, ValueError):  # no class server, or a login name that can't be an id
        return learner


class Draw:
    """A learner's random choices for one task.

    Parameters
    ----------
    learner : str
    task : str
        Homework and task, such as "04 caught".
    """

    def __init__(self, learner: str, task: str):
        self._learner = learner
        seed = int.from_bytes(hashlib.sha256(check_learner(learner).encode()).digest()[:4], "big") >> 1
        self._random = stream(seed, f"homework {task}")

    def shared(self, name: str) -> "Draw":
        """The same learner's choices for what several tasks share, such as one take; always from their start."""
        return Draw(self._learner, name)

    def choice(self, values):
        """One of some values."""
        values = list(values)
        return values[self._random.randint(len(values))]

    def sample(self, values, count: int) -> list:
        """Some different ones of them, in their order."""
        values = list(values)
        return [values[place] for place in sorted(self._random.permutation(len(values))[:count])]

    def shuffled(self, values) -> list:
        """All of them in another order."""
        values = list(values)
        return [values[place] for place in self._random.permutation(len(values))]

    def step(self, low: float, high: float, step: float) -> float:
        """A number from `low` to `high`, both included, on a grid of `step`."""
        count = int(round((high - low) / step))
        return round(low + step * int(self._random.randint(count + 1)), 6)

    def seed(self) -> int:
        """A seed for what wants one."""
        return int(self._random.randint(2**31 - 1))
