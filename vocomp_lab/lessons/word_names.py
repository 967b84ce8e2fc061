"""What a stretch of a voice is called: the words of the workbook's singers, the learner's names, "word 3", else the time.

:func:`called` decides it, for every table, menu and picture. Names are kept beside a voice's sheets as ``words.json``, by
their times, so that they hold even if words are found anew a little differently.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

from vocomp_lab.analysis.words import voiced_words
from vocomp_lab.lessons.unkept import not_kept
from vocomp_lab.sound.audio import Clip, Origin
from vocomp_lab.sound.checks import shown
from vocomp_lab.sound.files import write_whole
from vocomp_lab.sound.text import clock

FILE_NAME = "words.json"
LONGEST_NAME = 40
_MOST_WORDS = 5_000


@dataclass(frozen=True)
class Word:
    """A word, where it is sung, and what it is called.

    Attributes
    ----------
    start_s, end_s : float
        Seconds from the start of the clip.
    text : str
        Its name; "word 3" if nobody named it.
    named : bool
        Whether it has a name.
    """

    start_s: float
    end_s: float
    text: str
    named: bool = True


class VoiceWords:
    """The words of a voice. A clip carries it along in its :class:`~vocomp_lab.sound.audio.Origin`.

    Parameters
    ----------
    clip : Clip
        The voice as recorded; its words are found at first use.
    folder : Path
        Where that voice's sheets are kept.
    truth : dict or None
        What is known of a clip that the workbook made.

    Attributes
    ----------
    trouble : str
        What is wrong with the names that were kept, in one sentence; empty where nothing is.
    """

    def __init__(self, clip: Clip, folder: Path, truth: dict | None):
        self._clip, self._folder, self._truth = clip.coming_from(None), folder, truth
        self.trouble = ""
        self._names: tuple[Word, ...] | None = None

    @property
    def is_known(self) -> bool:
        """Whether the words are those of the workbook's singers, which need no names."""
        return bool(self._truth and self._truth.get("words"))

    @cached_property
    def _spans(self) -> tuple[tuple[float, float], ...]:
        return tuple((float(word.start_s), float(word.end_s)) for word in voiced_words(self._clip))

    @property
    def all(self) -> tuple[Word, ...]:
        """Every word, in order of time."""
        if self.is_known:
            return tuple(Word(one["start_s"], one["end_s"], one["text"]) for one in self._truth["words"])
        found = []
        for number, (start_s, end_s) in enumerate(self._spans, start=1):
            names = [one for one in self._kept() if start_s <= (one.start_s + one.end_s) / 2 < end_s]
            found.append(
                Word(start_s, end_s, names[0].text) if names else Word(start_s, end_s, f"word {number}", False)
            )
        return tuple(found)

    def name(self, number: int, text: str) -> int:
        """Name a word, and with several names, parted by spaces, those after it as well.

        Parameters
        ----------
        number : int
            From 1.
        text : str
            Empty: the word loses its name.

        Returns
        -------
        int
            The number of the word after the last that was named.

        Raises
        ------
        ValueError
            If there is no such word, there are more names than words, a name is too long, or they can't be written.
        """
        words = list(self.all)
        if self.is_known:
            raise ValueError(
                "name: the words of the workbook's singers are known already, so they take no other names."
            )
        if not (isinstance(number, int) and 1 <= number <= len(words)):
            raise ValueError(f"number: {shown(number)} is not allowed; give 1 to {len(words)}.")
        names = text.split() or [""]
        if number - 1 + len(names) > len(words):
            raise ValueError(
                f"name: {len(names)} names from word {number} on are too many; {len(words)} words were found."
            )
        for one in names:
            if len(one) > LONGEST_NAME:
                raise ValueError(f"name: {shown(one)} is not allowed; give at most {LONGEST_NAME} characters.")
        for place, one in enumerate(names, start=number - 1):
            words[place] = replace(words[place], text=one, named=bool(one))
        kept = tuple(word for word in words if word.named)
        rows = [{"start_s": word.start_s, "end_s": word.end_s, "text": word.text} for word in kept]
        try:
            if self.trouble:  # something in it may still be of use
                path = self._folder / FILE_NAME
                path.replace(path.with_name(f"{path.stem}_unread.json"))
            write_whole(self._folder / FILE_NAME, json.dumps({"words": rows}, indent=1, ensure_ascii=False) + "\n")
        except OSError as error:
            raise ValueError(not_kept(error, self._folder / FILE_NAME)) from None
        self._names, self.trouble = kept, ""
        return number + len(names)

    def _kept(self) -> tuple[Word, ...]:
        if self._names is None:
            try:
                rows = json.loads((self._folder / FILE_NAME).read_text("utf-8"))["words"][:_MOST_WORDS]
                self._names = tuple(
                    Word(float(row["start_s"]), float(row["end_s"]), _checked(row["text"])) for row in rows
                )
            except FileNotFoundError:
                self._names = ()
            except (OSError, ValueError, KeyError, TypeError) as error:
                self._names = ()
                told = " ".join(str(error).split()).rstrip(".")
                self.trouble = f"The names in {FILE_NAME} can't be read ({told}); naming a word begins the list anew."
        return self._names


def _checked(text) -> str:
    if not (isinstance(text, str) and 0 < len(text) <= LONGEST_NAME):
        raise ValueError(f"text: {shown(text)} is not allowed")
    return text


def with_words(clip: Clip, words: VoiceWords) -> Clip:
    """The voice, knowing its words: so does all that is made of it, until time is cut out or added."""
    return clip.coming_from(replace(clip.origin or Origin(None), words=words))


def words_of(clip: Clip) -> tuple[Word, ...]:
    """The words of a clip that comes from a voice, in the clip's own time; none where nobody knows them."""
    if clip.origin is None or not isinstance(clip.origin.words, VoiceWords):
        return ()
    first_s = clip.origin.first_frame / clip.rate
    return tuple(
        replace(word, start_s=word.start_s - first_s, end_s=word.end_s - first_s) for word in clip.origin.words.all
    )


def called(clip: Clip, start_s: float, end_s: float) -> str:
    """What a stretch of a voice is called: its words by name, else by number, else by its time.

    Parameters
    ----------
    clip : Clip
        From a lesson, or made of such a clip.
    start_s, end_s : float
        Seconds from its start.

    Returns
    -------
    str
        The words that the stretch touches, the first and the last of many ("paper boats", "word 3", "silver … past"); "at
        0:04.2" where there is none.
    """
    texts = [word.text for word in words_of(clip) if word.start_s < end_s and word.end_s > start_s]
    if not texts:
        return f"at {clock(start_s, 1)}"
    between = ", " if any(text.startswith("word ") for text in texts) else " "
    return between.join(texts) if len(texts) <= _MOST_TEXTS else f"{texts[0]} … {texts[-1]}"


_MOST_TEXTS = 4
