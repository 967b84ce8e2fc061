"""What a class guessed: the teacher types in how many hands went up for each answer.

Used by every bench in presenter mode (``00_start_here``).
"""

from __future__ import annotations

import html
from dataclasses import dataclass

from vocomp_lab.lessons.tables import Html, table_html
from vocomp_lab.sound.checks import check_whole

MOST_ANSWERS = 6
MOST_HANDS = 1000
BAR_EM = 16
"""Length of a bar for all hands."""


@dataclass(frozen=True)
class Tally:
    """Hands by answer.

    Parameters
    ----------
    answers : tuple of str
        One to six, all different.
    hands : tuple of int
        One number for each answer; none by default.
    """

    answers: tuple[str, ...]
    hands: tuple[int, ...] = ()

    def __post_init__(self):
        answers = tuple(str(answer).strip() for answer in self.answers)
        if not 1 <= len(answers) <= MOST_ANSWERS or "" in answers or len(set(answers)) < len(answers):
            raise ValueError(
                f"answers: {', '.join(answers)!r} is not allowed; give 1 to {MOST_ANSWERS} different answers."
            )
        hands = tuple(self.hands) or (0,) * len(answers)
        if len(hands) != len(answers):
            raise ValueError(
                f"hands: {len(hands)} numbers are not allowed; give one for each of the {len(answers)} answers."
            )
        object.__setattr__(self, "answers", answers)
        object.__setattr__(self, "hands", tuple(check_whole("hands", count, 0, MOST_HANDS) for count in hands))

    @classmethod
    def reading(cls, text: str) -> "Tally":
        """Answers from a line of text, with commas between them."""
        return cls(tuple(part for part in (piece.strip() for piece in text.split(",")) if part))

    def with_hands(self, answer: str, count: int) -> "Tally":
        """The tally with a new count for one answer."""
        if answer not in self.answers:
            raise ValueError(f"answer: {answer!r} is not allowed; give one of {', '.join(self.answers)}.")
        return Tally(self.answers, tuple(count if a == answer else n for a, n in zip(self.answers, self.hands)))

    @property
    def total(self) -> int:
        """All hands."""
        return sum(self.hands)

    def to_html(self) -> str:
        """The counts as a table: each answer with its hands, their share, and a bar to match."""
        if not self.total:
            return html.escape(str(self))
        shares = [100 * count / self.total for count in self.hands]
        bars = [Html(f'<i aria-hidden="true" style="width:{share / 100 * BAR_EM:.2f}em"></i>') for share in shares]
        percents = [f"{share:.0f} %" for share in shares]
        rows = zip(self.answers, self.hands, percents, bars)
        table = table_html(list(map(list, rows)), css_class="vocomp-tally")
        return f'{table}<span class="vocomp-answer">{self.total} in all.</span>'

    def __str__(self):
        if not self.total:
            return "No hands counted yet."
        shares = (
            f"{answer}: {count} ({100 * count / self.total:.0f} %)" for answer, count in zip(self.answers, self.hands)
        )
        return f"{'; '.join(shares)}; {self.total} in all."
