"""*Hear it* and *diagnose it*: the answer is a listening session that was finished, or one of some words."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Callable

import numpy as np

from vocomp_lab.exercises.tasks import MOST_VALUES, NOT_YET, RIGHT, Posed, Verdict, kind_of, read_number
from vocomp_lab.lessons.drills import DRILLS
from vocomp_lab.lessons.plays import LEAST_S, Play
from vocomp_lab.lessons.rounds import Answer, Round
from vocomp_lab.sound.checks import shown
from vocomp_lab.sound.text import percent


@dataclass(frozen=True, kw_only=True)
class HearIt(Posed):
    """*Hear it*: a listening session, marked for being finished and never for what was heard.

    Parameters
    ----------
    rounds : int
        How many trials or guesses it takes.
    sounds : callable, optional
        Returns the two clips of a blind comparison.
    drill : str
        The drill of ear practice that is asked for (``vocomp_lab.lessons.drills.DRILLS``), if it is one.

    Notes
    -----
    What was played is part of the session: one that was only clicked through is not finished.
    """

    rounds: int
    sounds: Callable | None = None
    drill: str = ""

    label = "hear it"
    begin = "Go through the rounds, then run this cell."

    @property
    def asks(self) -> str:
        """The form of the answer."""
        return (
            f"Answer: the finished session, {self.rounds} rounds. What counts is that you did it, not what you heard."
        )

    def untouched(self, given) -> bool:
        """A session that nobody has begun is not a try either."""
        if given is None:
            return True
        guesses, trial = (
            getattr(given, "guesses", None),
            getattr(given, "trial", None),
        )  # a round of practice has a trial, too
        return isinstance(guesses, tuple) and not guesses or isinstance(trial, int) and trial == 1

    def read(self, given) -> dict:
        practised = getattr(given, "round", given)
        if self.drill or isinstance(practised, Round):
            return self._read_round(practised, given)
        guesses = getattr(given, "guesses", None)
        if isinstance(guesses, tuple):
            pairs = [[guess.loudness_lufs, guess.loudness_guess_lufs] for guess in guesses]
            pairs = [[float(was), float(said)] for was, said in pairs if said is not None]
            if not pairs:
                raise ValueError("You haven't guessed a loudness yet; play a round first.")
            return {"guesses": pairs[-MOST_VALUES:]}
        result = getattr(given, "result", self)
        result = result() if callable(result) else result
        if result is None:
            raise ValueError("The session is not finished; answer its last trial, then give it again.")
        if not isinstance(getattr(result, "heard", None), tuple):
            raise ValueError(f"{kind_of(given)} is not a listening session; give the one that you finished.")
        session = getattr(given, "session", given)
        if trials := getattr(session, "unheard_trials", (1,)):
            raise ValueError(
                f"The session is not finished: in {len(trials)} of its trials nothing was played before the answer; begin it "
                "again, and listen."
            )
        heard = zip(result.heard, session.heard_s)
        return {"heard": [[str(was)[:1], str(said)[:1], round(s, 1)] for (was, said), s in heard][:MOST_VALUES]}

    def _read_round(self, practised, given) -> dict:
        if not isinstance(practised, Round):
            raise ValueError(
                f"{kind_of(given)} is not a round of ear practice; give the bench of the one that you finished."
            )
        if self.drill and practised.drill != self.drill:
            raise ValueError(f"This is a round of “{practised.drill}”; give one of “{self.drill}”.")
        if trials := practised.unheard_trials:
            raise ValueError(
                f"The round is not finished: in {len(trials)} of its trials nothing was played before the answer; begin it "
                "again, and listen."
            )
        if not practised.finished:
            raise ValueError("The round is not finished; answer its last trial, then give it again.")
        return {"round": practised.to_dict()}

    def to_data(self, answer: dict) -> dict:
        return answer

    def from_data(self, data) -> dict:
        kind, pairs = next(iter(data.items()), ("", None))
        if len(data) == 1 and kind == "round":
            practised = Round.from_dict(pairs)
            return self._read_round(practised, practised)
        known = len(data) == 1 and kind in ("heard", "guesses")
        if not known or not isinstance(pairs, list) or len(pairs) > MOST_VALUES:
            raise ValueError("This is not the record of a listening session.")
        for pair in pairs:
            if not isinstance(pair, list) or len(pair) != (3 if kind == "heard" else 2):
                raise ValueError("A round of this session is not complete.")
            if kind == "heard":
                if not all(side in ("A", "B") for side in pair[:2]):
                    raise ValueError("A round of this session holds something other than A and B.")
                if read_number(pair[2]) < LEAST_S:
                    raise ValueError("In a round of this session nothing was played before the answer.")
            if kind == "guesses":
                for value in pair:
                    read_number(value)
        return data

    def _judge(self, session: dict) -> Verdict:
        ((kind, pairs),) = session.items()
        if kind == "round":
            return self._judge_round(Round.from_dict(pairs))
        if len(pairs) < self.rounds:
            return Verdict(NOT_YET, f"{len(pairs)} of {self.rounds} rounds done; go on.")
        if kind == "guesses":
            off = np.array([said - was for was, said in pairs])
            return Verdict(
                RIGHT, f"Done: {len(pairs)} rounds. Your guesses were off by {np.abs(off).mean():.1f} LU on average."
            )
        from vocomp_lab.lessons.blind import p_value

        right = sum(was == said for was, said, _ in pairs)
        return Verdict(
            RIGHT,
            f"Done: {right} of {len(pairs)} right. By guessing alone, "
            f"{percent(p_value(right, len(pairs)))} of such tests come out at least as well.",
        )

    def _judge_round(self, practised) -> Verdict:
        done = len(practised.answers)
        if done < self.rounds:
            return Verdict(NOT_YET, f"{done} of {self.rounds} trials done; go on.")
        chance = percent(DRILLS[practised.drill].chance)
        return Verdict(RIGHT, f"Done: {practised.right} of {done} right; guessing alone gets {chance}.")

    def key(self) -> dict:
        if self.drill:
            plays = tuple(Play(track, 0.0, 2.0) for track in DRILLS[self.drill].must_hear)
            answers = tuple(Answer(0, True, plays) for _ in range(self.rounds))
            return {"round": Round(self.drill, "a voice", "2026-01-31T18:00:00", answers, self.rounds).to_dict()}
        return {"heard": [["A", "AB"[place % 2], 2.0] for place in range(self.rounds)]}


@dataclass(frozen=True, kw_only=True)
class Diagnose(Posed):
    """*Diagnose it*: one of some words, chosen by looking at numbers.

    Parameters
    ----------
    choices : dict of str to str
        Each word, and what it stands for.
    answer : str
    also : dict of str to str
        Other choices that are right, too, each with a sentence on why.
    why_not : dict of str to str
        For a wrong choice, a sentence on which number speaks against it.
    mistakes : dict of str to str
        Names of typical mistakes, each with the wrong choice that it leads to.
    """

    choices: dict
    answer: str
    also: dict = field(default_factory=dict)
    why_not: dict = field(default_factory=dict)
    mistakes: dict = field(default_factory=dict)

    label = "diagnose it"

    @property
    def asks(self) -> str:
        """The form of the answer."""
        return "Answer: one of " + ", ".join(f'`"{word}"` ({meaning})' for word, meaning in self.choices.items()) + "."

    def read(self, given) -> str:
        word = given.strip().casefold() if isinstance(given, str) else None
        if word is None:
            raise ValueError(f"{kind_of(given)} is not a word; give one of {', '.join(self.choices)} in quotes.")
        if word not in self.choices:
            raise ValueError(f"{shown(given)} is not one of the words; give one of {', '.join(self.choices)}.")
        return word

    def to_data(self, answer: str) -> dict:
        return {"word": answer}

    def from_data(self, data) -> str:
        return self.read(data["word"])

    def _judge(self, word: str) -> Verdict:
        if word == self.answer or word in self.also:
            return Verdict(RIGHT, f"“{word}” is right: {self.choices[word]}. {self.also.get(word, '')}".rstrip())
        name = next((name for name, wrong in self.mistakes.items() if wrong == word), None)
        says = f"“{word}” does not fit the numbers."
        return Verdict(NOT_YET, f"{says} {self.why_not[word]}" if word in self.why_not else says, name)

    def key(self) -> str:
        return self.answer
