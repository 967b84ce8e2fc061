"""What was played, when and for how long: a judgement by ear counts only where something was heard.

The page's player writes it down (``bench.player``); rounds of practice and blind tests keep it with their answers.
"""

from __future__ import annotations

from dataclasses import dataclass

from vocomp_lab.sound.checks import check_number, shown

LEAST_S = 0.5
"""A sound counts as heard from this long on. Common practice, no source."""
MOST_PLAYS = 400
_LATEST_S = 1e11


@dataclass(frozen=True)
class Play:
    """A sound that was played once.

    Parameters
    ----------
    track : str
        Which one, by its name in the player.
    at_s : float
        When it began, in seconds since 1970.
    heard_s : float
        For how long.
    """

    track: str
    at_s: float
    heard_s: float

    def __post_init__(self):
        if not (isinstance(self.track, str) and 0 < len(self.track) <= 40):
            raise ValueError(f"track: {shown(self.track)} is not allowed; give a name of 1 to 40 characters.")
        for name, highest in (("at_s", _LATEST_S), ("heard_s", 1e6)):
            object.__setattr__(self, name, check_number(name, getattr(self, name), 0, highest, "s"))

    def to_list(self) -> list:
        """For a file: track, time and length."""
        return [self.track, round(self.at_s, 1), round(self.heard_s, 1)]


def read_plays(data) -> tuple[Play, ...]:
    """Plays from what :meth:`Play.to_list` wrote, or the page.

    Raises
    ------
    ValueError
        If that is no list of plays.
    """
    if not isinstance(data, list) or len(data) > MOST_PLAYS:
        raise ValueError(f"plays: give a list of at most {MOST_PLAYS} plays.")
    if not all(isinstance(one, (list, tuple)) and len(one) == 3 for one in data):
        raise ValueError("plays: each of them is a track, a time and a length; give three for each.")
    return tuple(Play(*one) for one in data)


def heard_s(plays, track: str) -> float:
    """For how long a sound was heard in all."""
    return sum(play.heard_s for play in plays if play.track == track)


def unheard(plays, tracks) -> tuple[str, ...]:
    """Those of some sounds that were not heard for ``LEAST_S`` altogether."""
    return tuple(track for track in tracks if heard_s(plays, track) < LEAST_S)
