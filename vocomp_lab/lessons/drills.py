"""The drills of ear practice, as data: what is asked, how a trial is made of a voice, and how hard it can get.

A round is a dozen trials, about a minute. Its difficulty follows the answers (:mod:`vocomp_lab.lessons.staircase`), and what
comes out is the smallest difference that is heard, in the trade's units. Practised in ``10_ear_practice``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Callable

import numpy as np

from vocomp_lab.analysis.words import voiced_words
from vocomp_lab.lessons import trials
from vocomp_lab.lessons.guessing import sung_starts_s
from vocomp_lab.lessons.staircase import Threshold, UpDown, threshold_of
from vocomp_lab.lessons.trials import Trial
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.checks import check_choice
from vocomp_lab.sound.text import decibels

STRETCHES_S = (3.5, 2.5, 1.5)
"""How long a stretch is: the first of these for which somebody sings long enough."""
TRIALS = 12
"""Of a round: about a minute, and too few to tell a threshold of two sounds by themselves."""
WORDS = 3
_LONGEST_WORDS_S, _SHORTEST_WORD_S = 4.5, 0.15
_AROUND_S, _PAUSE_S, _FADE_S = 0.15, 0.6, 0.01
_LONG_ENOUGH_S, _ENOUGH_PLACES = 1.5, 4
_EASIER = 2
CANT_TELL = "Can't tell yet"


@dataclass(frozen=True)
class Drill:
    """A kind of question to the ear.

    Attributes
    ----------
    name, title : str
    asks : str
        The question.
    listen : str
        What to listen for.
    ladder : tuple of float
        The sizes of the difference, the easiest first, on an even logarithmic scale.
    choices : int
        How many answers there are; guessing is right once in so many.
    make : callable
        Makes a :class:`vocomp_lab.lessons.trials.Trial` of a stretch, a size and a source of chance.
    says : str
        What is heard, with ``{}`` for its size: "{} of reduction".
    value : callable
        A size in the trade's unit: "2.4 dB".
    tracks : tuple of str
        What can be heard.
    must_hear : tuple of str
        What must have been played before an answer counts.
    headphones : bool
        Whether a laptop's loudspeakers can't give it.
    down : int
        How many right answers in a row make it harder.
    """

    name: str
    title: str
    asks: str
    listen: str
    ladder: tuple[float, ...]
    choices: int
    make: Callable
    says: str
    value: Callable[[float], str]
    tracks: tuple[str, ...] = ("a", "b")
    must_hear: tuple[str, ...] = ("a", "b")
    headphones: bool = False
    down: int = 2

    @property
    def chance(self) -> float:
        """The share of right answers that guessing gets."""
        return 1 / self.choices

    @property
    def rule(self) -> UpDown:
        """How the difficulty follows the answers."""
        return UpDown(len(self.ladder), self.down)

    def threshold(self, rungs, answers) -> Threshold:
        """What some trials tell: :func:`vocomp_lab.lessons.staircase.threshold_of`."""
        return threshold_of(self.ladder, rungs, answers, self.chance)

    def heard(self, size: float) -> str:
        """A size in the trade's words: "an attack of 3 ms against 12 ms"."""
        return self.says.format(self.value(size))

    def brief(self, threshold: Threshold) -> str:
        """The same in a few words, for a table."""
        low, high = self._ends(threshold)
        if threshold.told:
            return f"{self.heard(threshold.size)} (between {low} and {high})"
        return f"not sure yet: between {low} and {high}"

    def _ends(self, threshold: Threshold) -> tuple[str, str]:
        """Both ends of the range; beyond the ladder nothing was tried."""
        least, most = min(self.ladder), max(self.ladder)
        low = f"less than {self.value(least)}" if threshold.low < least / 1.01 else self.value(threshold.low)
        high = f"more than {self.value(most)}" if threshold.high > most * 1.01 else self.value(threshold.high)
        return low, high

    def sentence(self, threshold: Threshold) -> str:
        """A threshold as a sentence, with its uncertainty, or that it can't be told yet, and why."""
        low, high = self._ends(threshold)
        trials_done = f"{threshold.trials} trial{'' if threshold.trials == 1 else 's'}"
        if threshold.told:
            return f"You hear {self.heard(threshold.size)} ({trials_done}; with 90 % between {low} and {high})."
        guess = f"Guessing is right in {100 * self.chance:.0f} % of the trials"
        if threshold.size > max(self.ladder):
            return (
                f"{CANT_TELL} ({trials_done}): so far you don't hear {self.heard(max(self.ladder))} for sure. {guess}."
            )
        if threshold.size < min(self.ladder) / 1.5:
            return f"You hear less than {self.heard(min(self.ladder))}, the smallest difference of this drill ({trials_done})."
        return f"{CANT_TELL}: after {trials_done} it may be {low}, or {high}. {guess}, so it takes two or three rounds."


def _ladder(easiest: float, hardest: float, rungs: int = 14) -> tuple[float, ...]:
    return tuple(round(float(size), 3) for size in np.geomspace(easiest, hardest, rungs))


def _db(size: float) -> str:
    return f"{decibels(size)} dB"


def _doubled(fast_ms: float):
    """A number of doublings as the time that they lead to."""
    return lambda doublings: trials.in_ms(round(fast_ms * 2**doublings, 1 if fast_ms * 2**doublings < 10 else 0))


_BEFORE_AFTER = {"tracks": ("before", "after"), "must_hear": ("after",)}

DRILLS = {
    drill.name: drill
    for drill in (
        Drill(
            "different",
            "Is anything different?",
            "Two of the three are the same, one is compressed. Which one?",
            "Compare the softest and the loudest moment: the compressed one has them closer together.",
            _ladder(9, 0.4),
            3,
            trials.different,
            "{} of reduction",
            _db,
            ("a", "b", "c"),
            ("a", "b", "c"),
        ),
        Drill(
            "more",
            "Which is compressed more?",
            "Which of the two is compressed more?",
            "The more it is compressed, the closer soft ends of words and breaths come.",
            _ladder(12, 0.5),
            2,
            trials.more,
            "{} more reduction",
            _db,
        ),
        Drill(
            "attack",
            "Fast or slow attack",
            "Which of the two has the slower attack?",
            "A slow attack lets the beginning of each word through: it knocks. A fast one rounds it off.",
            _ladder(5.5, 0.4),
            2,
            trials.attack,
            f"an attack of {trials.FAST_ATTACK_MS:g} ms against {{}}",
            _doubled(trials.FAST_ATTACK_MS),
        ),
        Drill(
            "release",
            "Short or long release",
            "Which of the two has the longer release?",
            "With a short one, breaths and ends of words come up at once; with a long one, what follows a loud word stays soft.",
            _ladder(5.5, 0.4),
            2,
            trials.release,
            f"a release of {trials.FAST_RELEASE_MS:g} ms against {{}}",
            _doubled(trials.FAST_RELEASE_MS),
        ),
        Drill(
            "steady",
            "Peaks, or all the time",
            "One is compressed only at its peaks, the other all the time. Which is compressed all the time?",
            "Only peaks: loud beginnings are pulled back, the rest is as it was. All the time: the whole line lies closer.",
            _ladder(14, 1),
            2,
            trials.steady,
            "peak control against steady compression at {}",
            _db,
        ),
        Drill(
            "decibels",
            "How many decibels",
            "In the second half the voice is turned down. By how much?",
            "Listen to where it drops, and compare with “before”.",
            _ladder(6, 0.5),
            3,
            trials.level_steps,
            "steps of {} in level",
            _db,
            **_BEFORE_AFTER,
        ),
        Drill(
            "ring",
            "Where is the ring?",
            "A ring was added. At which frequency?",
            "One tone stays on whatever is sung. 400 Hz is hollow, 800 Hz honks, 1600 Hz is nasal, 3200 Hz hurts.",
            _ladder(18, 2),
            len(trials.RINGS_HZ),
            trials.ring,
            "where a ring of {} is",
            _db,
            **_BEFORE_AFTER,
        ),
        Drill(
            "word",
            "Which word was turned down?",
            "One of the three words was turned down. Which one?",
            "Say the words along, and compare each one with “before”.",
            _ladder(12, 0.8),
            WORDS,
            trials.word,
            "a word that is {} softer",
            _db,
            **_BEFORE_AFTER,
        ),
        Drill(
            "type",
            "Which type of compressor?",
            "Which of the four types is it?",
            "FET: quick and rough. Opto: slow to let go. Tube: thick and soft. VCA: clean and even.",
            _ladder(14, 2),
            len(trials.TYPES),
            trials.kind,
            "the type at {} of reduction",
            _db,
            headphones=True,
            **_BEFORE_AFTER,
        ),
    )
}
"""By name, in the order in which they are best begun."""


class Stretches:
    """The short stretches of a voice that trials are made of.

    Parameters
    ----------
    clip : Clip
    drill : Drill

    Raises
    ------
    ValueError
        If nobody sings for long enough in the clip.
    """

    def __init__(self, clip: Clip, drill: Drill):
        if not isinstance(clip, Clip):
            raise ValueError(f"clip: {type(clip).__name__} is not allowed; give a Clip, such as load('take.wav').")
        self._clip, self._drill = clip, drill
        if drill.make is trials.word:
            self._places = _threes(voiced_words(clip))
            if not self._places:
                raise ValueError("clip: no three words follow each other closely in it; give a take with more singing.")
        else:
            found = ((length_s, sung_starts_s(clip, length_s)) for length_s in STRETCHES_S)
            length_s, starts_s = next((one for one in found if len(one[1])), (0.0, ()))
            if not length_s:
                raise ValueError(f"clip: nobody sings in it for {STRETCHES_S[-1]:g} s; give a take with more singing.")
            self._places = [(float(start_s), float(start_s) + length_s) for start_s in starts_s]

    def trial(self, rung: int, random: np.random.Generator) -> Trial:
        """A trial of a difficulty, from a stretch drawn by chance."""
        place, size = self._places[int(random.integers(len(self._places)))], self._drill.ladder[rung]
        if self._drill.make is not trials.word:
            return self._drill.make(_faded(self._clip.cut(*place)), size, random)
        start_s = max(place[0][0] - _AROUND_S, 0.0)
        stretch = self._clip.cut(start_s, min(place[-1][1] + _AROUND_S, self._clip.duration_s))
        return self._drill.make(_faded(stretch, _PAUSE_S), size, random, [(a - start_s, b - start_s) for a, b in place])


def first_rung(drill: Drill, threshold: Threshold | None) -> int:
    """Where a round begins: a little easier than what was heard before, or at the easiest."""
    if threshold is None:
        return 0
    heard = sum(size >= threshold.size for size in drill.ladder)
    return max(min(heard, len(drill.ladder)) - 1 - _EASIER, 0)


def check_drill(name) -> Drill:
    """The drill of a name.

    Raises
    ------
    ValueError
        If there is no such drill.
    """
    return DRILLS[check_choice("drill", name, tuple(DRILLS))]


def _threes(words) -> list[list[tuple[float, float]]]:
    """Three words each that follow each other closely; without the hasty ones, if there are enough others."""
    spans = [(span.start_s, span.end_s) for span in words]
    threes = [spans[n : n + WORDS] for n in range(len(spans) - WORDS + 1)]
    fit = [
        three
        for three in threes
        if three[-1][1] - three[0][0] <= _LONGEST_WORDS_S and min(b - a for a, b in three) >= _SHORTEST_WORD_S
    ]
    calm = [three for three in fit if three[-1][1] - three[0][0] >= _LONG_ENOUGH_S]
    return calm if len(calm) >= _ENOUGH_PLACES else fit


def _faded(clip: Clip, pause_s: float = 0.0) -> Clip:
    """A stretch that neither begins nor ends with a click, and a pause after it, for one that is short to go round in."""
    frames = round(_FADE_S * clip.rate)
    edge = np.ones(clip.frames)
    edge[:frames] = 0.5 - 0.5 * np.cos(np.pi * np.arange(frames) / frames)
    edge[-frames:] = edge[:frames][::-1]
    pause = np.zeros((round(pause_s * clip.rate), clip.channels))
    samples = np.concatenate([clip.columns * edge[:, None], pause])
    return Clip(samples[:, 0] if clip.samples.ndim == 1 else samples, clip.rate)
