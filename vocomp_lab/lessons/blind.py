"""Blind comparison: which of two sounds is X, asked several times, and what the number of right answers can show.

A session is a value: the hidden order, and the answers so far. ``bench.blind`` plays it.
"""

from __future__ import annotations

import math
import secrets
from dataclasses import dataclass, field, replace
from typing import ClassVar

import numpy as np
from scipy.optimize import brentq
from scipy.stats import binom, binomtest

from vocomp_lab.analysis.listening import match_loudness
from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.lessons.plays import LEAST_S, Play, heard_s
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.checks import Each, Of, check_choice, check_number, check_whole, shown
from vocomp_lab.sound.levels import sample_peak_dbfs

MATCHED_LU = 0.1
"""The two may differ in loudness by this much at most."""
MOST_TRIALS = 200
CHANCE = 0.5
SIGNIFICANT = 0.05
"""A result that guessing reaches less often than this counts as shown (common practice, no source for the 5 %)."""
CONFIDENCE = 0.95
_HEADROOM_DB = 0.1
_PLAYS = Each(Of(Play, "a Play"), "a list of plays")


@dataclass(frozen=True)
class BlindPair:
    """Two sounds that differ in what is to be judged, and in nothing else that would give them away.

    Made by :func:`match_pair`.

    Attributes
    ----------
    a, b : Clip
        Equally loud, equally long, with the same rate and number of channels.
    gain_db : float
        What made the second as loud as the first.
    turned_down_db : float
        How far both were turned down so that neither exceeds full scale; 0 or above.
    difference_lu : float
        Loudness of the second minus that of the first, measured after all that.
    """

    a: Clip = field(repr=False)
    b: Clip = field(repr=False)
    gain_db: float
    turned_down_db: float
    difference_lu: float


def match_pair(a: Clip, b: Clip) -> BlindPair:
    """Make two clips ready for a blind comparison: equally loud within 0.1 LU.

    Parameters
    ----------
    a, b : Clip
        With the same length, rate and number of channels.

    Returns
    -------
    BlindPair

    Raises
    ------
    ValueError
        If one is not a Clip or is silent, or they differ in a way that would give them away.

    Notes
    -----
    A listener hears a difference of a few tenths of a decibel, and takes the louder sound for the better one (common
    practice, no source).
    """
    for name, clip in (("a", a), ("b", b)):
        if not isinstance(clip, Clip):
            raise ValueError(f"{name}: {type(clip).__name__} is not allowed; give a Clip, such as load('take.wav').")
        if math.isinf(integrated_lufs(clip)):
            raise ValueError(f"{name}: this clip is silent, so its loudness can't be matched; give a sound.")
    for what, of_a, of_b, unit in (
        ("rate", a.rate, b.rate, " Hz"),
        ("number of channels", a.channels, b.channels, ""),
        ("length", a.frames, b.frames, " frames"),
    ):
        if of_a != of_b:
            raise ValueError(
                f"b: its {what}, {of_b}{unit}, differs from a's {of_a} and gives it away; make them equal."
            )
    matched, gain_db = match_loudness(b, a)
    down_db = max(0.0, max(sample_peak_dbfs(a), sample_peak_dbfs(matched)) + _HEADROOM_DB)
    if down_db:
        a, matched = a.gained(-down_db), matched.gained(-down_db)
    difference = integrated_lufs(matched) - integrated_lufs(a)
    if abs(difference) > MATCHED_LU:
        raise ValueError(
            f"b: its loudness stays {difference:+.2f} LU from a's, more than {MATCHED_LU} LU; give sounds that are more alike."
        )
    return BlindPair(a, matched, gain_db, down_db, difference)


# ------------------------------------------------------------------------------------------------------- statistics


def p_value(right: int, trials: int) -> float:
    """How often pure guessing gets this many right, or more.

    Parameters
    ----------
    right : int
        0 to `trials`.
    trials : int

    Returns
    -------
    float
        Probability of at least `right` heads in `trials` throws of a fair coin (a one-sided exact binomial test).
    """
    right, trials = _checked_count(right, trials)
    return float(binomtest(right, trials, CHANCE, alternative="greater").pvalue)


def needed_right(trials: int, significant: float = SIGNIFICANT) -> int | None:
    """How many right answers it takes to make guessing an unlikely explanation.

    Returns
    -------
    int or None
        The smallest count whose :func:`p_value` is at most `significant`; None if even all right is not enough (fewer
        than 5 trials at 5 %). Tables of the same numbers: ISO 5495, one-sided.
    """
    trials = check_whole("trials", trials, 1, MOST_TRIALS)
    counts = np.arange(trials + 1)
    enough = counts[binom.sf(counts - 1, trials, CHANCE) <= _checked_level(significant)]
    return int(enough[0]) if len(enough) else None


def power(trials: int, hears_share: float, significant: float = SIGNIFICANT) -> float:
    """How likely a test of this length is to find a difference that a listener hears, but not every time.

    Parameters
    ----------
    trials : int
    hears_share : float
        Share of the trials in which the difference is heard, 0 to 1; in the others the listener guesses, and is right
        half the time.
    significant : float

    Returns
    -------
    float
        Probability of at least :func:`needed_right` right answers; 0 if no number is enough.
    """
    hears = check_number("hears_share", hears_share, 0, 1)
    needed = needed_right(trials, significant)
    return 0.0 if needed is None else float(binom.sf(needed - 1, trials, CHANCE + (1 - CHANCE) * hears))


def detectable_share(trials: int, wanted_power: float = 0.8, significant: float = SIGNIFICANT) -> float | None:
    """The faintest difference that a test of this length finds with good probability.

    Returns
    -------
    float or None
        Share of the trials in which it must be heard (see :func:`power`) for the test to find it with probability
        `wanted_power`; None if no number of right answers is enough.
    """
    wanted = check_number("wanted_power", wanted_power, 0.06, 0.999)
    if needed_right(trials, significant) is None:
        return None
    return float(brentq(lambda share: power(trials, share, significant) - wanted, 0.0, 1.0))


def false_alarm_when_peeking(trials: int, significant: float = SIGNIFICANT) -> float:
    """How often guessing "succeeds" for someone who looks after each trial and stops as soon as it looks good.

    Returns
    -------
    float
        Exact probability that at some point up to `trials` the count reaches :func:`needed_right` for the trials so
        far. That is why a session shows nothing before its last trial: ``08_the_vocal_in_the_mix``.
    """
    trials = check_whole("trials", trials, 1, MOST_TRIALS)
    going = np.array([1.0])  # probability of each count right, as long as no look was a success
    stopped = 0.0
    for done in range(1, trials + 1):
        going = CHANCE * np.append(going, 0.0) + (1 - CHANCE) * np.append(0.0, going)
        needed = needed_right(done, significant)
        if needed is not None:
            stopped += going[needed:].sum()
            going[needed:] = 0.0
    return float(stopped)


@dataclass(frozen=True)
class BlindResult:
    """What a finished comparison shows.

    Attributes
    ----------
    right : int
        Right answers; in a preference test, how often B was preferred.
    trials : int
    p_value : float
        How often guessing alone would come out this far from chance; one-sided for ABX, two-sided for a preference.
    low_share, high_share : float
        Where the share right, or for B, lies in the long run, with 95 % confidence (Clopper & Pearson 1934). It goes
        with the test: one-sided for ABX, so that `high_share` is 1, and two-sided for a preference. Chance lies outside
        exactly when the result is significant.
    needed : int or None
        Right answers needed at the 5 % level; None if the test is too short. For a preference: the smallest count
        for B, or the same for A.
    heard : tuple of (str, str)
        For each trial, what was hidden and the answer: what X was taken for, or which of A and B was preferred.
    preference : bool
    one_answer_each : bool
        Whether each answer is another listener's; see :class:`PreferenceSession`.
    names : (str, str)
        What A and B are called now that all is answered, such as ("your chain", "the rival").
    """

    right: int
    trials: int
    p_value: float
    low_share: float
    high_share: float
    needed: int | None
    heard: tuple[tuple[str, str], ...] = field(repr=False)
    preference: bool = False
    one_answer_each: bool = False
    names: tuple[str, str] = ("A", "B")

    @property
    def significant(self) -> bool:
        """Whether guessing would get this far in at most 5 % of such tests."""
        return self.p_value <= SIGNIFICANT

    @property
    def by_trial(self) -> str:
        """Every trial in one line: what X was and whether the answer was right, or what was preferred."""
        named = dict(zip("AB", self.names))
        if self.preference:
            return "Preferred, by trial: " + ", ".join(named[preferred] for _, preferred in self.heard) + "."
        marks = (f"{named[x]} {'✓' if x == answer else '✗'}" for x, answer in self.heard)
        return "What X was, and whether you were right: " + ", ".join(marks) + "."

    def __str__(self):
        return "\n".join([self._count_line(), self._meaning(), self._range_line()])

    def _count_line(self):
        if self.preference:
            a, b = self.names
            return (
                f"{b[:1].upper()}{b[1:]} preferred in {self.right} of {self.trials} trials, {a} in "
                f"{self.trials - self.right}. Someone with no "
                f"preference would get a split at least this uneven in {_percent(self.p_value)} of such tests "
                f"(p = {self.p_value:.3f})."
            )
        return (
            f"{self.right} of {self.trials} right. Pure guessing gets this many or more in {_percent(self.p_value)} "
            f"of such tests (p = {self.p_value:.3f})."
        )

    def _meaning(self):
        what = "preference" if self.preference else "difference"
        if self.significant:
            limits = self._limits() if self.preference else "That doesn't say how large it is, or which is better."
            return f"So a {what} is shown, at the usual 5 % level. {limits}"
        if self.needed is None:
            return f"A test of {self.trials} trials can't show a {what}, whatever the answers: do more trials."
        if not self.preference:
            share = detectable_share(self.trials)
            few = ""
            if binom.cdf(self.right, self.trials, CHANCE) <= SIGNIFICANT / 2:
                few = " (So few right is rare, too: did you mix up the answers?)"
            return (
                f"So no difference is shown; that would have taken {self.needed}. It doesn't mean that there is none: to "
                f"be found with a probability of 80 % by this test, it must be heard in {_percent(share)} of the trials "
                f"or more.{few}"
            )
        return (
            "So no preference is shown. It doesn't mean that they are equally good: more trials might show one. "
            + self._limits()
        )

    def _limits(self):
        """What p speaks of in a preference test."""
        if self.one_answer_each:
            return (
                "Each answer is another listener's: p is about listeners like these and this one pair, not other songs."
            )
        return (
            "If all the answers are yours, p says how consistent you are on this one pair. It says nothing about how much "
            "better one is, or about other listeners or songs."
        )

    def _range_line(self):
        # Rounded outwards, and said as "above" and "below": so the rounded figures, too, leave chance out exactly when
        # the test does.
        low, high = math.floor(1000 * self.low_share) / 10, math.ceil(1000 * self.high_share) / 10
        bounds = [f"above {low:g} %"] * (low > 0) + [f"below {high:g} %"] * (high < 100)
        whose = "right answers"
        if self.preference:
            b = self.names[1]
            whose = f"such listeners who prefer {b}" if self.one_answer_each else f"answers for {b}"
        return (
            f"In the long run the share of {whose} is {' and '.join(bounds) or 'anything'} (95 % confidence); "
            "chance alone gives 50 %."
        )


def _percent(share: float) -> str:
    percent = 100 * share
    return f"{percent:.1f} %" if 0 < percent < 1 else f"{percent:.0f} %"


def _range(test) -> tuple[float, float]:
    """The exact confidence interval of a test of scipy's: it has as many sides as the test."""
    low, high = test.proportion_ci(CONFIDENCE, "exact")
    return float(low), float(high)


def _checked_count(right, trials) -> tuple[int, int]:
    trials = check_whole("trials", trials, 1, MOST_TRIALS)
    return check_whole("right", right, 0, trials), trials


def _checked_level(significant) -> float:
    return check_number("significant", significant, 0, 0.5, low_open=True)


# --------------------------------------------------------------------------------------------------------- sessions


@dataclass(frozen=True)
class _Session:
    order: tuple[str, ...] = field(repr=False)
    answers: tuple[str, ...] = ()
    plays: tuple[tuple[Play, ...], ...] = field(default=(), repr=False)

    ANSWERS: ClassVar[tuple[str, ...]] = ()
    MUST_HEAR: ClassVar[tuple[str, ...]] = ()

    def __post_init__(self):
        for name in ("order", "answers", "plays"):
            if not isinstance(getattr(self, name), (tuple, list)):
                raise ValueError(f"{name}: {shown(getattr(self, name))} is not allowed; give a list.")
        for name, choices in (("order", ("A", "B")), ("answers", self.ANSWERS)):
            object.__setattr__(self, name, tuple(check_choice(name, value, choices) for value in getattr(self, name)))
        check_whole("order", len(self.order), 1, MOST_TRIALS)
        object.__setattr__(self, "plays", tuple(tuple(_PLAYS.check("plays", plays)) for plays in self.plays))
        if len(self.answers) > len(self.order):
            raise ValueError(
                f"answers: {len(self.answers)} are too many for {len(self.order)} trials; give at most one a trial."
            )
        if len(self.plays) > len(self.answers):
            raise ValueError(
                f"plays: {len(self.plays)} are too many for {len(self.answers)} answers; give at most one each."
            )

    @classmethod
    def draw(cls, trials: int = 12, seed: int | None = None):
        """A new session with a random order.

        Parameters
        ----------
        trials : int
            1 to 200, fixed beforehand: if you stop when it looks good, you will find differences that aren't there.
        seed : int, optional
            The same seed gives the same order; without one every session is new.

        Notes
        -----
        Each trial is drawn on its own, so that earlier ones give nothing away; with as many A as B they would.
        """
        trials = check_whole("trials", trials, 1, MOST_TRIALS)
        seed = secrets.randbits(63) if seed is None else check_whole("seed", seed, 0, 2**63 - 1)
        return cls(tuple("AB"[side] for side in np.random.default_rng(seed).integers(0, 2, trials)))

    @property
    def trials(self) -> int:
        """How many trials the session has."""
        return len(self.order)

    @property
    def trial(self) -> int:
        """Number of the trial waiting for its answer, from 1; one past the last when all are answered."""
        return len(self.answers) + 1

    @property
    def finished(self) -> bool:
        """Whether every trial is answered."""
        return len(self.answers) == len(self.order)

    @property
    def hidden(self) -> str | None:
        """The sound waiting to be judged, "A" or "B"; None when all are answered. For the player only."""
        return None if self.finished else self.order[len(self.answers)]

    @property
    def heard_s(self) -> tuple[float, ...]:
        """For each answer, how long what it judges was played before: of several sounds, the one that was played least."""
        known = (*self.plays, *[()] * (len(self.answers) - len(self.plays)))
        return tuple(min(heard_s(plays, track) for track in self.MUST_HEAR) for plays in known)

    @property
    def unheard_trials(self) -> tuple[int, ...]:
        """The trials, from 1, that were answered without playing what is to be judged."""
        return tuple(n for n, seconds in enumerate(self.heard_s, 1) if seconds < LEAST_S)

    def answer(self, choice: str, plays=()):
        """The session with one more answer.

        Parameters
        ----------
        choice : str
        plays : sequence of Play
            What was played of this trial.

        Raises
        ------
        ValueError
            If this kind of test has no such answer, or all trials are answered.
        """
        check_choice("choice", choice, self.ANSWERS)
        if self.finished:
            raise ValueError(f"choice: all {self.trials} trials are answered; start another session.")
        plays = _PLAYS.check("plays", plays)
        known = (*self.plays, *[()] * (len(self.answers) - len(self.plays)))
        return replace(self, answers=(*self.answers, choice), plays=(*known, tuple(plays)))

    def result(self) -> BlindResult | None:
        """The statistics; None until every trial is answered."""
        return self._judged() if self.finished else None


@dataclass(frozen=True)
class AbxSession(_Session):
    """A test of whether two sounds can be told apart: in each trial X is one of them, and the answer says which.

    Parameters
    ----------
    order : tuple of str
        What X is in each trial, "A" or "B"; usually from :meth:`draw`.
    answers : tuple of str
        The answers so far, "A" or "B".
    plays : tuple of tuple of Play
        What was played before each of them, as far as a page has written it down.

    Notes
    -----
    A value that never changes: :meth:`answer` gives the next one. ABX is the method of Munson & Gardner, "Standardizing
    auditory tests", J. Acoust. Soc. Am. 22 (1950; from memory).

    Examples
    --------
    >>> from vocomp_lab.lessons.blind import AbxSession
    >>> session = AbxSession(("A", "B", "B", "A", "A")).answer("A").answer("B")
    >>> session.trial, session.result()
    (3, None)
    >>> for x in "BAA":
    ...     session = session.answer(x)
    >>> session.result().right, round(session.result().p_value, 3)
    (5, 0.031)
    """

    ANSWERS: ClassVar[tuple[str, ...]] = ("A", "B")
    MUST_HEAR: ClassVar[tuple[str, ...]] = ("x",)

    def _judged(self):
        right = sum(x == answer for x, answer in zip(self.order, self.answers))
        low, high = _range(binomtest(right, self.trials, CHANCE, alternative="greater"))
        heard, needed = tuple(zip(self.order, self.answers)), needed_right(self.trials)
        return BlindResult(right, self.trials, p_value(right, self.trials), low, high, needed, heard)


@dataclass(frozen=True)
class PreferenceSession(_Session):
    """A test of which of two sounds is preferred, without knowing which is which.

    Parameters
    ----------
    order : tuple of str
        Which of the two is played as "1" in each trial, "A" or "B"; the other one is "2".
    answers : tuple of str
        The preferred one in each trial so far, "1" or "2".
    plays : tuple of tuple of Play
        What was played before each of them, as far as a page has written it down.
    one_answer_each : bool
        Whether each trial is answered by another listener. The report then says what that shows.

    Notes
    -----
    The question has two sides (A may be preferred, or B), so its p value counts both.

    One listener who tells the two apart at once gives one opinion, however often: then p says how consistent that opinion
    is, and nothing about others. For p to speak of listeners, each trial must be answered by another one.
    """

    one_answer_each: bool = False

    ANSWERS: ClassVar[tuple[str, ...]] = ("1", "2")
    MUST_HEAR: ClassVar[tuple[str, ...]] = ("first", "second")

    def _judged(self):
        preferred = tuple(
            first if answer == "1" else "AB"[first == "A"] for first, answer in zip(self.order, self.answers)
        )
        for_b = preferred.count("B")
        test = binomtest(for_b, self.trials)
        low, high = _range(test)
        heard, needed = tuple(zip(self.order, preferred)), needed_right(self.trials, SIGNIFICANT / 2)
        return BlindResult(for_b, self.trials, float(test.pvalue), low, high, needed, heard, True, self.one_answer_each)
