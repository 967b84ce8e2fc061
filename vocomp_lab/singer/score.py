"""What is sung, and by whom: syllables on notes, grouped into phrases, and the singer's manner."""

from __future__ import annotations

from dataclasses import dataclass

from vocomp_lab.singer.phonetics import VOICES, is_vowel, kind_of
from vocomp_lab.sound.checks import Settings, check_choice, check_number

HYPHEN = "-"


def midi_to_hz(midi):
    """Frequency of a MIDI note number in equal temperament, 69 being A4 = 440 Hz (ISO 16)."""
    return 440.0 * 2.0 ** ((midi - 69) / 12.0)


@dataclass(frozen=True)
class Syllable(Settings):
    """One sung syllable.

    Parameters
    ----------
    text : str
        As written. A hyphen at the end means that the word goes on in the next syllable: ``"pa-"``, ``"per"``.
    phones : str
        Its speech sounds, spaced: ``"p ey"``. Exactly one is a vowel. Symbols: :mod:`vocomp_lab.singer.phonetics`.
    start_s : float
        When its vowel starts: the beat. Consonants in front of the vowel are sung before it.
    length_s : float
        From there to the end of the syllable, including the consonants after the vowel.
    pitch_midi : float
        MIDI note number; fractions are legal.
    loudness_db : float
        Stress relative to the singer's mean, −20 to +12 dB.
    hard : bool
        Start with a hard attack: strong burst, voice at once.
    """

    text: str
    phones: str
    start_s: float
    length_s: float
    pitch_midi: float
    loudness_db: float = 0.0
    hard: bool = False

    def __post_init__(self):
        names = self.phones.split()
        for phone in names:
            kind_of(phone)
        if sum(map(is_vowel, names)) != 1:
            raise ValueError(f"phones: {self.phones!r} is not allowed; a syllable has exactly one vowel.")
        self._keep(
            start_s=check_number("start_s", self.start_s, 0.0, 600.0, "s"),
            length_s=check_number("length_s", self.length_s, 0.06, 60.0, "s"),
            pitch_midi=check_number("pitch_midi", self.pitch_midi, 28.0, 84.0),
            loudness_db=check_number("loudness_db", self.loudness_db, -20.0, 12.0, "dB"),
            hard=bool(self.hard),
        )

    @property
    def parts(self) -> tuple[tuple[str, ...], str, tuple[str, ...]]:
        """The consonants before the vowel, the vowel, the consonants after it."""
        names = tuple(self.phones.split())
        middle = next(i for i, phone in enumerate(names) if is_vowel(phone))
        return names[:middle], names[middle], names[middle + 1 :]

    @property
    def pitch_hz(self) -> float:
        """The note's frequency in Hz."""
        return float(midi_to_hz(self.pitch_midi))


@dataclass(frozen=True)
class Score(Settings):
    """A verse: phrases of syllables, in order of time.

    Parameters
    ----------
    phrases : tuple of tuple of Syllable
        Each phrase is sung in one breath; a breath is taken before it where there is room.
    length_s : float
        Length of the whole; not before the end of the last syllable.
    """

    phrases: tuple[tuple[Syllable, ...], ...]
    length_s: float

    def __post_init__(self):
        phrases = tuple(tuple(phrase) for phrase in self.phrases)
        if not phrases or not all(phrases):
            raise ValueError("phrases: a score needs at least one phrase, and each phrase at least one syllable.")
        self._keep(phrases=phrases, length_s=check_number("length_s", self.length_s, 0.1, 600.0, "s"))
        flat = self.syllables
        for before, after in zip(flat, flat[1:]):
            if after.start_s < before.start_s + 0.05:
                raise ValueError(
                    f"start_s: {after.text!r} at {after.start_s:g} s is not allowed; start it at least 0.05 s after "
                    f"{before.text!r} at {before.start_s:g} s."
                )
        if any(phrase[-1].text.endswith(HYPHEN) for phrase in phrases):
            raise ValueError("phrases: a phrase can't end inside a word; its last syllable may not end with a hyphen.")
        if flat[-1].start_s + flat[-1].length_s > self.length_s:
            raise ValueError(f"length_s: {self.length_s:g} s is not allowed; the last syllable ends after it.")

    @property
    def syllables(self) -> tuple[Syllable, ...]:
        """All syllables, in order."""
        return tuple(syllable for phrase in self.phrases for syllable in phrase)


@dataclass(frozen=True)
class Singer(Settings):
    """A singer's voice and manner.

    Parameters
    ----------
    name : str
    voice : {"men", "women"}
        Whose average formants to start from.
    lowest_midi, highest_midi : float
        Range; notes outside are refused.
    shape_rd : float
        Glottal pulse at mean loudness, 0.4 pressed to 2.7 breathy.
    brightness_db : float
        Boost of the harmonics above about 2 kHz, relative to the plain pulse, at mean loudness. Louder singing adds to
        it.
    breathiness_db : float
        Noise in the vowels relative to the voice, −60 to −15 dB.
    vibrato_hz, vibrato_cents : float
        Rate, and deviation to either side.
    vibrato_delay_s : float
        How long a held note stays straight at first.
    glide_ms : float
        Length of the slide from note to note.
    scoop_cents : float
        How far below the note a phrase starts.
    jitter_percent : float
        Irregularity of the period (standard deviation).
    shimmer_db : float
        Irregularity of the amplitude (standard deviation).
    ring : float
        0 to 1: how far the fourth and fifth formants are drawn down towards 3 kHz, the "singer's formant" (J.
        Sundberg).
    arc_db : float
        How much louder the middle of a phrase is than its ends.
    unsteady_db : float
        Random difference from note to note (standard deviation).
    """

    name: str
    voice: str
    lowest_midi: float
    highest_midi: float
    shape_rd: float = 1.1
    brightness_db: float = 3.0
    breathiness_db: float = -30.0
    vibrato_hz: float = 5.5
    vibrato_cents: float = 45.0
    vibrato_delay_s: float = 0.3
    glide_ms: float = 90.0
    scoop_cents: float = 120.0
    jitter_percent: float = 0.3
    shimmer_db: float = 0.25
    ring: float = 0.3
    arc_db: float = 2.5
    unsteady_db: float = 0.8

    def __post_init__(self):
        check_choice("voice", self.voice, VOICES)
        limits = {
            "lowest_midi": (28, 84),
            "highest_midi": (28, 84),
            "shape_rd": (0.4, 2.7),
            "brightness_db": (-20, 20),
            "breathiness_db": (-60, -15),
            "vibrato_hz": (3, 9),
            "vibrato_cents": (0, 200),
            "vibrato_delay_s": (0, 5),
            "glide_ms": (20, 400),
            "scoop_cents": (0, 400),
            "jitter_percent": (0, 3),
            "shimmer_db": (0, 2),
            "ring": (0, 1),
            "arc_db": (0, 10),
            "unsteady_db": (0, 4),
        }
        self._keep(**{name: check_number(name, getattr(self, name), *limit) for name, limit in limits.items()})
