"""Ear practice that adapts: a rule that makes trials harder and easier, and a threshold with its uncertainty.

The rule is the transformed up-down rule of H. Levitt, "Transformed up-down methods in psychoacoustics", J. Acoust. Soc.
Am. 49, 467 (1971): after so many right answers in a row the next trial is harder, after each wrong one easier. The threshold
is read off all trials by their likelihood. How it is used: ``10_ear_practice``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from vocomp_lab.sound.checks import check_number, check_whole

LAPSE = 0.03
"""Share of answers that slip although the difference was heard (common practice, no source)."""
CONFIDENCE = 0.9
WIDEST_RATIO = 4.0
"""A threshold whose interval spans more than this ratio can't be told yet. Common practice, no source."""
LEAST_TRIALS = 10
_GRID_STEPS, _GRID_BEYOND = 24, 4.0
# How steeply the share heard rises with the logarithm of the size: the scale of a logistic curve. A detection in noise rises from
# a quarter to three quarters heard within a ratio of 1.4 to 2.4 (values from memory).
_SLOPES = np.array([0.12, 0.2, 0.33, 0.55])


@dataclass(frozen=True)
class UpDown:
    """A transformed up-down rule on a ladder of difficulty.

    Parameters
    ----------
    rungs : int
        How many there are; 0 is the easiest.
    down : int
        How many right answers in a row make the next trial harder, 1 to 4.
    hurry : int
        How many rungs it goes on at a time, after every right answer, until the first wrong one; 0 for none of that.

    Notes
    -----
    At rest the rule is where ``p ** down = 1/2``: at 70.7 % right for two down and 79.4 % for three (Levitt 1971, table I).
    """

    rungs: int
    down: int = 2
    hurry: int = 2

    def __post_init__(self):
        check_whole("rungs", self.rungs, 2, 100)
        check_whole("down", self.down, 1, 4)
        check_whole("hurry", self.hurry, 0, 10)

    @property
    def target(self) -> float:
        """The share of right answers at which the rule comes to rest."""
        return 0.5 ** (1 / self.down)

    def start(self, rung: int = 0) -> "Place":
        """Where a round begins."""
        return Place(check_whole("rung", rung, 0, self.rungs - 1), 0, self.hurry > 0)

    def step(self, place: "Place", right) -> "Place":
        """Where an answer leads. Works on arrays of listeners, too.

        Parameters
        ----------
        place : Place
        right : bool or ndarray of bool
        """
        right = np.asarray(right, bool)
        run = np.where(right, place.run + 1, 0)
        hurried, harder = place.hurrying & right, run >= self.down
        moved = np.where(right, np.where(hurried, self.hurry, harder), -1)
        rung = np.clip(place.rung + moved, 0, self.rungs - 1)
        return Place(rung, np.where(hurried | harder, 0, run), place.hurrying & right)

    def after(self, answers, rung: int = 0) -> int:
        """The rung of the next trial, from the answers so far.

        Parameters
        ----------
        answers : sequence of bool
            Whether each was right.
        rung : int
            That of the first trial.
        """
        place = self.start(rung)
        for right in answers:
            place = self.step(place, right)
        return int(place.rung)


class Place(NamedTuple):
    """A rung, the right answers in a row there, and whether no answer was wrong yet: numbers, or arrays of listeners."""

    rung: object
    run: object
    hurrying: object


@dataclass(frozen=True)
class Threshold:
    """The smallest size that is heard, as far as the answers tell.

    Attributes
    ----------
    size, low, high : float
        In the ladder's unit: the middle of what the answers leave possible, and the range that holds it with 90 %.
    trials : int
    told : bool
        Whether it can be told: there are enough trials, the range is narrow enough, and it lies on the ladder.
    """

    size: float
    low: float
    high: float
    trials: int
    told: bool


def share_right(size, threshold, chance: float, slope: float = 0.33, lapse: float = LAPSE):
    """The share of right answers of a listener with a known threshold: a logistic psychometric function.

    Parameters
    ----------
    size, threshold : float or ndarray
        In one unit. At the threshold the listener hears every other trial, and guesses the rest.
    chance : float
        The share that guessing gets.
    slope : float
        The scale of the curve, in natural logarithms of the size.
    lapse : float
        The share of slips.
    """
    heard = 1 / (1 + np.exp(-np.log(np.asarray(size, float) / threshold) / slope))
    return chance + (1 - chance - lapse) * heard


def thresholds(ladder, right, wrong, chance: float) -> np.ndarray:
    """Thresholds of many listeners at once, from how often each was right and wrong on each rung.

    Parameters
    ----------
    ladder : sequence of float
        The size on each rung, shape (rungs,), each above 0.
    right, wrong : ndarray
        Counts, shape (listeners, rungs).
    chance : float
        0 to below 1.

    Returns
    -------
    ndarray
        Middle, low and high end of the 90 % interval, shape (listeners, 3).

    Notes
    -----
    The likelihood of all answers under :func:`share_right`, for thresholds from a fourth of the smallest size to four times the
    largest, all equally likely on a logarithmic scale beforehand, and averaged over four slopes. The middle is the median.
    """
    ladder = np.asarray(ladder, float)
    chance = check_number("chance", chance, 0, 0.99)
    low, high = ladder.min() / _GRID_BEYOND, ladder.max() * _GRID_BEYOND
    grid = np.geomspace(low, high, int(np.log2(high / low) * _GRID_STEPS))
    share = share_right(ladder[:, None, None], grid[:, None], chance, _SLOPES)  # (rungs, grid, slopes)
    log = np.tensordot(np.asarray(right, float), np.log(share), 1) + np.tensordot(
        np.asarray(wrong, float), np.log1p(-share), 1
    )
    weight = np.exp(log - log.max(axis=(1, 2), keepdims=True)).sum(axis=2)
    below = np.cumsum(weight, axis=1)
    below /= below[:, -1:]
    tail = (1 - CONFIDENCE) / 2
    # Between two points of the grid, so that no estimate is rounded to one side.
    return np.array([np.exp(np.interp((0.5, tail, 1 - tail), one, np.log(grid))) for one in below])


def threshold_of(ladder, rungs, answers, chance: float) -> Threshold:
    """The threshold that some trials tell.

    Parameters
    ----------
    ladder : sequence of float
        The size on each rung, the easiest first.
    rungs : sequence of int
        Of each trial.
    answers : sequence of bool
        Whether each was right.
    chance : float
        The share that guessing gets.

    Raises
    ------
    ValueError
        If there are not as many rungs as answers.
    """
    rungs, answers = np.asarray(rungs, int), np.asarray(answers, bool)
    if rungs.shape != answers.shape:
        raise ValueError(f"rungs: {rungs.size} for {answers.size} answers is not allowed; give one for each.")
    right, wrong = (np.bincount(rungs[of], minlength=len(ladder)).astype(float) for of in (answers, ~answers))
    size, low, high = map(float, thresholds(ladder, right[None], wrong[None], chance)[0])
    on_ladder = min(ladder) / 1.5 <= size <= max(ladder)
    return Threshold(
        size, low, high, len(answers), bool(len(answers) >= LEAST_TRIALS and high / low <= WIDEST_RATIO and on_ladder)
    )
