"""A small box in which a learner names the words of a voice, hearing each; tables and menus call them so from then on."""

from __future__ import annotations

import html

import ipywidgets as widgets
from IPython.display import display

from vocomp_lab.bench.player import PagePlayer
from vocomp_lab.bench.style import STYLE, error_html
from vocomp_lab.lessons.course import Lesson
from vocomp_lab.lessons.word_names import VoiceWords
from vocomp_lab.sound.text import clock

AROUND_S = 0.2


class WordNames:
    """A list of the words that were found in a voice, the chosen one in a player, and a field for its name.

    Parameters
    ----------
    lesson : Lesson
        Whose voice it is about.

    Raises
    ------
    ValueError
        If it is no lesson.

    Notes
    -----
    Put it last in a cell to show it. Several names, parted by spaces, go to the chosen word and those after it.
    """

    def __init__(self, lesson: Lesson):
        if not isinstance(lesson, Lesson):
            raise ValueError(f"lesson: {type(lesson).__name__} is not allowed; give a lesson from begin.")
        self._clip, self._words = lesson.clip, lesson.voice_words
        self._player = PagePlayer({"word": "the word"}, "Player: the chosen word", keys="1")
        self._list = widgets.Select(description="Word", rows=6, layout=widgets.Layout(width="360px", max_width="100%"))
        self._name = widgets.Text(
            description="Name", placeholder="one name, or several with spaces", continuous_update=False,
            layout=widgets.Layout(width="420px", max_width="100%"),
        )  # fmt: skip
        button = widgets.Button(description="Name it", tooltip="Keep the name, and go on to the next word")
        button.on_click(lambda _: self._take())
        self._said = widgets.HTML()
        row = widgets.HBox([self._name, button], layout=widgets.Layout(flex_flow="row wrap"))
        self.widget = widgets.VBox([widgets.HTML(STYLE), *self._player.widgets, self._list, row, self._said])
        self.widget.add_class("vocomp-bench")
        self._button = button
        self._list.observe(lambda _: self._hear(), "value")
        self._fill(1)
        self._say(self._words.trouble or self._standing())

    @property
    def words(self) -> VoiceWords:
        """The words, with their names."""
        return self._words

    def _standing(self) -> str:
        words = self._words.all
        if self._words.is_known:
            return "The words of the workbook's singers are known, so there is nothing to name here."
        if not words:
            return "No words were found in this voice."
        return f"{sum(word.named for word in words)} of {len(words)} words have a name."

    def _fill(self, number: int):
        words = self._words.all
        options = [(f"{n}: {word.text}, at {clock(word.start_s, 1)}", n) for n, word in enumerate(words, start=1)]
        self._list.options = options
        self._list.disabled = not words
        self._name.disabled = self._button.disabled = not words or self._words.is_known
        if words:
            self._list.value = min(max(number, 1), len(words))
            self._hear()

    def _hear(self):
        if self._list.value is None:
            return
        word = self._words.all[self._list.value - 1]
        part = self._clip.cut(
            max(word.start_s - AROUND_S, 0.0), min(word.end_s + AROUND_S, self._clip.duration_s)
        ).coming_from(None)
        self._player.send({"word": part}, rate=part.rate, duration_s=part.duration_s)
        self._name.value = word.text if word.named and not self._words.is_known else ""

    def _take(self):
        number = self._list.value or 0
        try:
            after = self._words.name(number, self._name.value.strip())
        except ValueError as error:
            self._said.value = error_html(error)
            return
        self._fill(after)
        self._say(f"{self._standing()} Tables and menus say so when their cells run again.")

    def _say(self, text: str):
        self._said.value = f'<div class="vocomp-step" role="status">{html.escape(text)}</div>'

    def _ipython_display_(self):
        self._player.show()
        display(self.widget)
