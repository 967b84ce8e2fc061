"""Manners of singing: the same words by the same singer, quietly, loudly, or spoken on the beat.

What each manner changes is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from vocomp_lab.singer.phonetics import kind_of
from vocomp_lab.singer.score import Score, Singer

_STRESSED_DB = 0.5
# A spoken line stays within about two semitones, a little above the singer's lowest note.
_SPEAKING_MIDI, _STRESS_MIDI, _FALL_MIDI = 2.0, 0.8, 0.8
_LONGEST_SPOKEN_S, _SPOKEN_SHARE = 0.28, 0.88


@dataclass(frozen=True)
class Manner:
    """How a score is sung.

    Attributes
    ----------
    effort_db : float
        Added to every syllable's loudness: what follows from it is the voice's own (:mod:`vocomp_lab.singer.effort`).
    voice : dict
        Fields of :class:`vocomp_lab.singer.score.Singer`, as what is added to them.
    hard : bool
        Hard attacks on all stressed syllables that begin with a plosive or a vowel.
    spoken : bool
        Short syllables on the sixteenths of the bar, nearly on one note.
    """

    effort_db: float = 0.0
    voice: dict = field(default_factory=dict)
    hard: bool = False
    spoken: bool = False

    def singer(self, singer: Singer) -> Singer:
        """The singer in this manner."""
        return replace(singer, **{name: getattr(singer, name) + added for name, added in self.voice.items()})

    def score(self, score: Score, singer: Singer, first_beat_s: float, sixteenth_s: float) -> Score:
        """The score in this manner, for a bar that begins at `first_beat_s`."""
        phrases = tuple(tuple(map(self._sung, phrase)) for phrase in score.phrases)
        if self.spoken:
            phrases = _spoken(phrases, singer.lowest_midi + _SPEAKING_MIDI, first_beat_s, sixteenth_s)
        return Score(phrases, score.length_s)

    def _sung(self, syllable):
        attacked = syllable.loudness_db >= _STRESSED_DB and kind_of(syllable.phones.split()[0]) in ("plosive", "vowel")
        return replace(
            syllable,
            loudness_db=syllable.loudness_db + self.effort_db,
            hard=syllable.hard or (self.hard and attacked),
        )


MANNERS = {
    "plain": Manner(),
    "quiet": Manner(
        -7.0,
        {"shape_rd": 0.3, "breathiness_db": 11.0, "vibrato_cents": -18.0, "arc_db": -0.5, "ring": -0.15},
    ),
    "loud": Manner(
        6.0,
        {"shape_rd": -0.15, "breathiness_db": -8.0, "vibrato_cents": 14.0, "scoop_cents": 60.0, "unsteady_db": 0.5},
        hard=True,
    ),
    "spoken": Manner(
        1.0,
        {"glide_ms": -40.0, "scoop_cents": -70.0, "jitter_percent": 0.2, "unsteady_db": 0.5, "ring": -0.15},
        hard=True,
        spoken=True,
    ),
}
"""By name; "plain" changes nothing."""


def _spoken(phrases, base_midi, first_beat_s, sixteenth_s):
    places = [(s.start_s - first_beat_s) / sixteenth_s for phrase in phrases for s in phrase]
    # Half a step goes to the earlier one, so that two syllables never fall on the same.
    onsets = [first_beat_s + sixteenth_s * np.ceil(place - 0.5 - 1e-6) for place in places]
    nexts, out = iter([*zip(onsets, [*onsets[1:], onsets[-1] + 60.0])]), []
    for phrase in phrases:
        line = []
        for number, syllable in enumerate(phrase):
            start_s, after_s = next(nexts)
            stress = _STRESS_MIDI if syllable.loudness_db >= _STRESSED_DB else 0.0
            line.append(
                replace(
                    syllable,
                    start_s=float(start_s),
                    length_s=float(min(_SPOKEN_SHARE * (after_s - start_s), _LONGEST_SPOKEN_S)),
                    pitch_midi=base_midi + stress + _FALL_MIDI * (0.5 - number / len(phrase)),
                )
            )
        out.append(tuple(line))
    return tuple(out)
