"""Cards for styles and situations: where the two compressors start, and what to listen for.

Every figure is common practice, no source. A card says where to begin; the voice and the song decide where it ends.
"""

from __future__ import annotations

from dataclasses import dataclass

from vocomp_lab.analysis.measures import Goal
from vocomp_lab.lessons.goals import GOALS, STEADY_WINDOW_DB
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.sound.checks import check_choice


@dataclass(frozen=True)
class Start:
    """A compressor to start from, and how much it should take off.

    Attributes
    ----------
    compressor : Compressor
        Its threshold is worked out on the clip.
    measure : str
        What `window_db` is about: "max_db", the largest reduction, or "median_db" (``vocomp_lab.analysis.measures.MEASURES``).
    window_db : (float, float)
    """

    compressor: Compressor
    measure: str
    window_db: tuple[float, float]

    @property
    def aim_db(self) -> float:
        """The middle of the window."""
        return sum(self.window_db) / 2


@dataclass(frozen=True)
class Style:
    """One card.

    Attributes
    ----------
    name : str
        Its name in ``STYLES``.
    listen_for : str
        What tells whether it is right, in a sentence or two.
    beside : str
        What else belongs to it, besides the two compressors.
    peaks, steady : Start or None
        None where the style does without that stage.
    """

    name: str
    listen_for: str
    beside: str
    peaks: Start | None
    steady: Start | None

    def goals(self, stage: str) -> tuple[Goal, ...]:
        """What a stage should come to in this style: the lessons' goals, with this card's windows.

        Parameters
        ----------
        stage : str
            One of ``GOALS``. How long a stage acts is left open: the lessons' figures are advice, and styles differ.
        """
        check_choice("stage", stage, tuple(GOALS))
        start = getattr(self, stage, None)
        if start is None:
            return () if stage in ("peaks", "steady") else GOALS[stage]
        own = [Goal(start.measure, *start.window_db)]
        least_db, most_db = start.window_db
        dropped = {start.measure, "share_percent"}
        dropped |= {"crest_change_db"} if most_db > _TAMED_DB else set()
        # So little reduction hardly brings words together; such cards leave that to rides and to the singer's distance.
        dropped |= {"spread_change_lu"} if least_db < STEADY_WINDOW_DB[0] else set()
        return (*own, *(goal for goal in GOALS[stage] if goal.measure not in dropped))

    def __str__(self):
        lines = [f"{self.name}. Listen for: {self.listen_for}"]
        for stage, start in (("peaks", self.peaks), ("steady", self.steady)):
            lines.append(f"{stage}: {_told(start)}")
        return "\n".join([*lines, self.beside, "Common practice, no source."])


_TAMED_DB = 5.0
"""A card that asks for more than this off the peaks asks for flatter ones than lesson 04 does."""


def _told(start: Start | None) -> str:
    if start is None:
        return "leave it out"
    c, what = start.compressor, "at most" if start.measure == "max_db" else "half of the time"
    low, high = start.window_db
    return f"{c.ratio:g}:1, {c.attack_ms:g} ms, {c.release_ms:g} ms, {low:g} to {high:g} dB {what}"


def _fast(ratio, attack_ms, release_ms, *window_db) -> Start:
    return Start(Compressor(-20, ratio, attack_ms, release_ms), "max_db", window_db)


def _slow(ratio, attack_ms, release_ms, knee_db, *window_db) -> Start:
    return Start(Compressor(-26, ratio, attack_ms, release_ms, knee_db), "median_db", window_db)


_CARDS = (
    Style(
        "quiet ballad, breathy voice",
        "the air in the voice. When the compressor is in, is it still there, or has it become noise?",
        "Set the threshold inside the voice, so that soft words are held as gently as loud ones, and let rides do the rest "
        "(lesson 08). What is in the pauses comes up, too: level the breaths and the room first.",
        None,
        _slow(1.7, 20, 300, 12, 1, 3),
    ),
    Style(
        "rap",
        "the consonants and the beat. Does every syllable land at the same distance, and do the ends of lines hold?",
        "Words follow one another fast, so both stages have to let go fast, too. Read the gain movement within a word.",
        _fast(4, 1, 50, 3, 6),
        _slow(3, 5, 60, 6, 4, 7),
    ),
    Style(
        "loud rock",
        "whether the voice stays in front of the guitars without a word that is only loud.",
        "6 to 10 dB in all. That much lifts every s, and whatever of drums and guitars the microphone heard: de-ess after the "
        "stage that lifts it, and go easier if the band was in the room.",
        _fast(4, 1, 60, 3, 6),
        _slow(3.5, 8, 120, 6, 3, 5),
    ),
    Style(
        "big dynamics, soft verse and loud chorus",
        "the step from verse to chorus. It should still be one.",
        "One chain for each section: a threshold that is right for the chorus does nothing in the verse (lesson 02). Or level "
        "the sections by clip gain first, by half of the step at most.",
        _fast(3, 1, 80, 2, 5),
        _slow(2, 15, 250, 12, 2, 4),
    ),
    Style(
        "doubles and backing voices",
        "one voice, not three. Do the consonants arrive together?",
        "Harder than the lead: nobody listens to them one by one. Take their breaths out and cut the consonants at the ends of "
        "words, so that only the lead says them.",
        _fast(6, 0.5, 60, 3, 7),
        _slow(4, 5, 150, 6, 4, 7),
    ),
    Style(
        "a bad room",
        "the tail after each word. Does the room step forward whenever the voice stops?",
        "No compressor mends it, and every one brings it up. Sing closer to the microphone and hang blankets behind the singer; "
        "then 2 to 3 dB in all, and no parallel compression.",
        None,
        _slow(2, 15, 300, 9, 1.5, 3),
    ),
)
STYLES = {card.name: card for card in _CARDS}
"""The cards by their names (``09_your_own_vocal``)."""


def style_named(style: str | Style | None) -> Style | None:
    """A card by its name; None stays None.

    Raises
    ------
    ValueError
        If there is no such card.
    """
    if style is None or isinstance(style, Style):
        return style
    return STYLES[check_choice("style", style, tuple(STYLES))]


def goals_for(stage: str, style: str | Style | None = None) -> tuple[Goal, ...]:
    """What a compressor of the chain should come to: the lessons' goals, or those of a style's card.

    Parameters
    ----------
    stage : {"peaks", "steady", "excitement"}
    style : str, optional
        One of ``STYLES``.

    Returns
    -------
    tuple of Goal
        For a bench's ``goals``; none where the style does without the stage.

    Raises
    ------
    ValueError
        If there is no such stage or style.
    """
    check_choice("stage", stage, tuple(GOALS))
    card = style_named(style)
    return GOALS[stage] if card is None else card.goals(stage)
