"""Guess, then measure: a game that connects what you hear with what the meters say.

Each round plays a stretch whose levels are known, then another one turned down by some gain. The player guesses the
peak and loudness of the second. Explained, and played, in ``01_levels_and_meters``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.meters import active_mask
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.checks import check_number, check_whole
from vocomp_lab.sound.levels import sample_peak_dbfs
from vocomp_lab.sound.text import decibels

STRETCH_S = 2.5
"""Length of each stretch."""
GAP_S = 0.8
GAINS_DB = tuple(np.arange(-18.0, 0.01, 0.5).tolist())
"""The gains a stretch may get. None is above 0: the game is never louder than its take."""
_STEP_S = 0.1
_ACTIVE_SHARE = 0.6
_GUESS_RANGE = (-100.0, 20.0)


@dataclass(frozen=True)
class Guess:
    """One round's guesses beside what was measured.

    Attributes
    ----------
    peak_guess_dbfs, loudness_guess_lufs : float or None
        None where nothing was guessed.
    peak_dbfs, loudness_lufs : float
        Sample peak in dBFS and integrated loudness in LUFS, measured.
    gain_db : float
        The gain that the stretch was given.
    """

    peak_guess_dbfs: float | None
    loudness_guess_lufs: float | None
    peak_dbfs: float
    loudness_lufs: float
    gain_db: float

    @property
    def peak_error_db(self) -> float:
        """Guessed minus measured peak, in dB; NaN if there was no guess."""
        return math.nan if self.peak_guess_dbfs is None else self.peak_guess_dbfs - self.peak_dbfs

    @property
    def loudness_error_lu(self) -> float:
        """Guessed minus measured loudness, in LU; NaN if there was no guess."""
        return math.nan if self.loudness_guess_lufs is None else self.loudness_guess_lufs - self.loudness_lufs

    def __str__(self):
        lines = []
        for what, guess, unit, measured, error, step in (
            ("peak", self.peak_guess_dbfs, "dBFS", self.peak_dbfs, self.peak_error_db, "dB"),
            ("loudness", self.loudness_guess_lufs, "LUFS", self.loudness_lufs, self.loudness_error_lu, "LU"),
        ):
            verdict = "not guessed" if guess is None else f"guessed {decibels(guess)}, {_off(error, step)}"
            lines.append(f"{what:<9} {decibels(measured):>6} {unit}: {verdict}")
        return "\n".join(lines) + f"\nturned down by {decibels(-self.gain_db)} dB"


class GuessLevels:
    """A game of guessing levels.

    Parameters
    ----------
    clip : Clip
        The take, with at least 2.5 s of it sung without long pauses.
    seed : int, optional
        The same seed gives the same rounds; without one they are new every time.

    Attributes
    ----------
    guesses : tuple of Guess
        Every round guessed so far.

    Raises
    ------
    ValueError
        If nobody sings for long enough in the clip.

    Notes
    -----
    The ear has no absolute scale: it compares. So every round begins with the same stretch, whose levels are shown.

    Examples
    --------
    >>> from vocomp_lab import shipped
    >>> from vocomp_lab.lessons.guessing import GuessLevels
    >>> game = GuessLevels(shipped("lesson_verse_clean").clip, seed=1)
    >>> clip = game.deal()  # doctest: +ELLIPSIS
    Round 1. ...
    >>> round(clip.duration_s, 1)
    5.8
    """

    def __init__(self, clip: Clip, seed: int | None = None):
        if not isinstance(clip, Clip):
            raise ValueError(f"clip: {type(clip).__name__} is not allowed; give a Clip, such as load('take.wav').")
        self._random = np.random.default_rng(None if seed is None else check_whole("seed", seed, 0, 2**63 - 1))
        self._take = clip
        self._starts_s = sung_starts_s(clip, STRETCH_S)
        if not len(self._starts_s):
            raise ValueError(f"clip: nobody sings in it for {STRETCH_S:g} s; give a take with more singing.")
        self.guesses: tuple[Guess, ...] = ()
        self._known = self._stretch(self._starts_s[0])
        self._hidden: tuple[Clip, float] | None = None

    def deal(self) -> Clip:
        """Start a round: print the known stretch's levels, and return what to play.

        Returns
        -------
        Clip
            The known stretch, a pause, and the stretch to guess.
        """
        gain_db = float(self._random.choice(GAINS_DB))
        stretch = self._stretch(self._random.choice(self._starts_s)).gained(gain_db)
        self._hidden = stretch, gain_db
        peak, loud = decibels(sample_peak_dbfs(self._known)), decibels(integrated_lufs(self._known))
        print(
            f"Round {len(self.guesses) + 1}. First, for comparison: peak {peak} dBFS, loudness {loud} LUFS. "
            f"The stretch to guess starts at {STRETCH_S + GAP_S:.1f} s."
        )
        gap = np.zeros((round(GAP_S * self._take.rate), *self._take.samples.shape[1:]))
        return self._take.with_samples(np.concatenate([self._known.samples, gap, stretch.samples]))

    def guess(self, peak_dbfs: float | None = None, loudness_lufs: float | None = None) -> Guess | None:
        """Guess; prints what was measured and how far off the guess was. Only one guess a round counts.

        Parameters
        ----------
        peak_dbfs : float, optional
            Sample peak of the second stretch.
        loudness_lufs : float, optional
            Its integrated loudness.

        Raises
        ------
        ValueError
            If no round is open, or a guess is no number from −100 to 20.
        """
        if peak_dbfs is None and loudness_lufs is None:
            print("No guess yet. Listen, replace None with a number, and run this cell again.")
            return None
        if self._hidden is None:
            raise ValueError("guess: no round is open; start the next one with deal().")
        if peak_dbfs is not None:
            peak_dbfs = check_number("peak_dbfs", peak_dbfs, *_GUESS_RANGE, "dBFS")
        if loudness_lufs is not None:
            loudness_lufs = check_number("loudness_lufs", loudness_lufs, *_GUESS_RANGE, "LUFS")
        stretch, gain_db = self._hidden
        guess = Guess(peak_dbfs, loudness_lufs, sample_peak_dbfs(stretch), integrated_lufs(stretch), gain_db)
        self._hidden = None
        self.guesses += (guess,)
        print(guess)
        return guess

    def summary(self) -> None:
        """Print how far off the guesses were on average, and whether they lean to one side."""
        if not self.guesses:
            print("No rounds played yet.")
            return
        print(f"{len(self.guesses)} {'round' if len(self.guesses) == 1 else 'rounds'} played")
        for what, errors, unit in (
            ("peak", [g.peak_error_db for g in self.guesses], "dB"),
            ("loudness", [g.loudness_error_lu for g in self.guesses], "LU"),
        ):
            errors = np.array(errors)[~np.isnan(errors)]
            if len(errors):
                average = f"on average {decibels(float(np.abs(errors).mean()))} {unit} off"
                print(f"{what:<9} {average}, overall {_off(float(errors.mean()), unit)}")

    def _stretch(self, start_s: float) -> Clip:
        return self._take.cut(start_s, start_s + STRETCH_S)


def sung_starts_s(clip: Clip, length_s: float) -> np.ndarray:
    """Where stretches of a length may start, in seconds: every 0.1 s, if most of the stretch is sung. Shape (stretches,)."""
    length = round(length_s * clip.rate)
    if clip.frames < length:
        return np.empty(0)
    counted = np.concatenate([[0], np.cumsum(active_mask(clip))])
    starts = np.arange(0, clip.frames - length + 1, round(_STEP_S * clip.rate))
    return starts[counted[starts + length] - counted[starts] >= _ACTIVE_SHARE * length] / clip.rate


def _off(error: float, unit: str) -> str:
    size = decibels(abs(error))
    return "spot on" if float(size) == 0 else f"{size} {unit} too {'high' if error > 0 else 'low'}"
