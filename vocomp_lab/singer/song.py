"""The workbook's own song: two invented verses, two invented singers, and the takes that the lessons work on.

"Tin Boats", its words, melody, singers and band were invented for this workbook.
"""

from __future__ import annotations

import copy
import functools
import json
from dataclasses import dataclass
from pathlib import Path

from vocomp_lab.singer.backing import play
from vocomp_lab.singer.faults import Hiss, choose_faults
from vocomp_lab.singer.score import Score, Singer, Syllable
from vocomp_lab.singer.voice import Sung, sing
from vocomp_lab.sound.audio import Clip, load, save
from vocomp_lab.sound.checks import check_choice
from vocomp_lab.sound.files import write_whole
from vocomp_lab.sound.levels import rms_dbfs, sample_peak_dbfs

TITLE = "Tin Boats"
TEMPO_BPM = 76.0
BEAT_S = 60.0 / TEMPO_BPM
LEAD_IN_BEATS = 1.5
BAR_BEATS = 4
CHORDS = ("Am7", "C", "F", "G", "Am")
KEY = "A minor"
LENGTH_S = 15.6
RATE = 48_000
VOICE_PEAK_DBFS = -6.0
CLEAN_FLOOR_DBFS = -82.0
DATA_FOLDER = Path(__file__).resolve().parents[2] / "data_synthetic"

_SIXTEENTH_S = BEAT_S / 4.0

# (text, phones, sixteenths from the bar's start, length in sixteenths, MIDI note, stress in dB, "!" for a hard attack)
_FIRST = (
    (
        ("she", "sh iy", -2, 2, 57, -1),
        ("kept", "k eh p t", 0, 1.75, 60, 1, "!"),
        ("the", "dh ax", 1.75, 1, 60, -3),
        ("pa-", "p ey", 2.75, 1.5, 64, 1.5, "!"),
        ("per", "p er", 4.25, 1.25, 62, -1.5),
        ("boats", "b ow t s", 5.5, 2.25, 64, 1),
        ("by", "b ay", 7.75, 1.5, 62, -0.5),
        ("the", "dh ax", 9.25, 1, 60, -3),
        ("sea", "s iy", 10.25, 3.0, 57, 0.5),
    ),
    (
        ("past", "p ae s t", 0, 1.75, 60, 1.5, "!"),
        ("the", "dh ax", 1.75, 1, 60, -3),
        ("shed", "sh eh d", 2.75, 2, 64, 1),
        ("where", "w eh r", 4.75, 1.25, 62, -1.5),
        ("the", "dh ax", 6, 1, 60, -3),
        ("ships", "sh ih p s", 7, 1.75, 62, 0),
        ("lie", "l ay", 8.75, 1.25, 60, -0.5),
        ("low", "l ow", 10, 3.5, 55, 1.5),
    ),
    (
        ("count", "k aw n t", 0, 1.75, 60, 1.5, "!"),
        ("to", "t uw", 1.75, 1, 62, -2.5),
        ("se-", "s eh", 2.75, 1.25, 64, 1),
        ("ven", "v ah n", 4, 1.25, 62, -1.5),
        ("and", "ae n d", 5.25, 1, 60, -2.5),
        ("wait", "w ey t", 6.5, 2.5, 65, -0.5),
        ("for", "f ao r", 9, 1.25, 64, -1.5),
        ("me", "m iy", 10.25, 3.0, 60, 0),
    ),
    (
        ("bring", "b r ih ng", 0, 1.75, 62, 1),
        ("back", "b ae k", 1.75, 1.5, 62, 1.5, "!"),
        ("the", "dh ax", 3.25, 1, 60, -3),
        ("sil-", "s ih l", 4.25, 1.5, 62, 1),
        ("ver", "v er", 5.75, 1.75, 59, -1),
        ("take", "t ey k", 8.25, 1.75, 59, 1, "!"),
        ("back", "b ae k", 10, 2, 59, 0.5, "!"),
        ("the", "dh ax", 12, 1.5, 57, -3),
        ("snow", "s n ow", 14, 7.5, 60, 1),
    ),
)
_SECOND = (
    (
        ("to-", "t ax", -1.5, 1.5, 52, -2.5),
        ("night", "n ay t", 0, 1.75, 57, 1),
        ("the", "dh ax", 1.75, 1, 57, -3),
        ("big", "b ih g", 2.75, 1.5, 60, 1),
        ("clocks", "k l aa k s", 4.25, 2.25, 60, 1, "!"),
        ("tick", "t ih k", 6.5, 1.75, 59, 0.5, "!"),
        ("too", "t uw", 8.25, 2, 57, 0),
        ("fast", "f ae s t", 10.25, 3.25, 52, 1),
    ),
    (
        ("dust", "d ah s t", 0, 1.75, 55, 1, "!"),
        ("on", "aa n", 1.75, 1, 55, -2.5),
        ("the", "dh ax", 2.75, 1, 52, -3),
        ("bot-", "b aa t", 3.75, 1.5, 55, 1),
        ("tle", "ax l", 5.25, 1.25, 52, -1.5),
        ("cup", "k ah p", 6.75, 1.75, 50, 1, "!"),
        ("on", "aa n", 8.5, 1, 50, -1.5),
        ("the", "dh ax", 9.5, 1, 52, -3),
        ("shelf", "sh eh l f", 10.5, 3.25, 48, 1),
    ),
    (
        ("pa-", "p ey", 0, 1.5, 57, 1.5, "!"),
        ("tience", "sh ax n s", 1.5, 1.75, 55, -1.5),
        ("said", "s eh d", 4, 1.75, 53, 0.5),
        ("the", "dh ax", 5.75, 1, 53, -3),
        ("ship", "sh ih p", 6.75, 1.75, 52, 1),
        ("at", "ae t", 8.5, 1.25, 48, -1.5),
        ("last", "l ae s t", 9.75, 3.75, 45, 1.5),
    ),
    (
        ("keep", "k iy p", 0, 1.75, 55, 1, "!"),
        ("a", "ax", 1.75, 1, 55, -3),
        ("dark", "d aa r k", 2.75, 2, 59, 1, "!"),
        ("cor-", "k ao r", 4.75, 1.5, 62, 0.5),
        ("ner", "n er", 6.25, 1.75, 60, -1.5),
        ("keep", "k iy p", 8.5, 1.75, 59, 1, "!"),
        ("to", "t uw", 10.25, 1.25, 57, -2.5),
        ("your-", "y ao r", 11.5, 1.75, 55, -1),
        ("self", "s eh l f", 14, 7.5, 57, 1),
    ),
)

SINGERS = {
    "first": Singer(
        "Maren Tolliday",
        "women",
        53,
        76,
        shape_rd=1.15,
        breathiness_db=-29.0,
        vibrato_hz=5.6,
        vibrato_cents=42.0,
        ring=0.2,
    ),
    "second": Singer(
        "Corvin Askell", "men", 43, 67, shape_rd=0.9, breathiness_db=-33.0, vibrato_hz=5.2, vibrato_cents=38.0, ring=0.5
    ),
}
VERSES = tuple(SINGERS)
_SYLLABLES = {"first": _FIRST, "second": _SECOND}


def score(verse: str) -> Score:
    """The score of a verse, ``"first"`` or ``"second"``."""
    check_choice("verse", verse, VERSES)
    phrases = []
    for bar, line in enumerate(_SYLLABLES[verse]):
        start = (LEAD_IN_BEATS + bar * BAR_BEATS) * BEAT_S
        phrases.append(
            tuple(
                Syllable(text, phones, start + at * _SIXTEENTH_S, length * _SIXTEENTH_S, pitch, stress, bool(hard))
                for text, phones, at, length, pitch, stress, *hard in line
            )
        )
    return Score(tuple(phrases), LENGTH_S)


@dataclass(frozen=True, eq=False)
class Take:
    """A recording and the truth about it (its fields are described in ``data_synthetic/README.md``)."""

    clip: Clip
    truth: dict


def make_take(verse: str, seed: int, faulty: bool = True, rate: int = RATE) -> Take:
    """Record a verse: a fresh take for trying out what a lesson taught (see ``00_start_here``).

    Parameters
    ----------
    verse : {"first", "second"}
        Which verse, and so which singer.
    seed : int
        Performance and faults. The same seed gives the same performance, clean or faulty; another seed gives another
        loud word, quiet phrase, resonance and so on.
    faulty : bool
        With the faults, or the clean take at the same gain.
    rate : int
        Samples per second.

    Returns
    -------
    Take
        Mono; the faulty voice peaks at −6 dBFS before pops and noises are added.
    """
    check_choice("verse", verse, VERSES)
    sung = _performed(verse, seed, rate)
    of_voice, of_recording = choose_faults(sung.clip, sung.truth, seed)
    marred = sung.clip
    for fault in of_voice:
        marred = fault.apply(marred)
    gain_db = round(VOICE_PEAK_DBFS - sample_peak_dbfs(marred), 2)
    # Even a clean recording has a floor: a quiet room and a good preamplifier.
    clean = Hiss(CLEAN_FLOOR_DBFS, seed).apply(sung.clip.gained(gain_db))
    marred = marred.gained(gain_db)
    for fault in of_recording:
        marred = fault.apply(marred)
    truth = {
        "title": TITLE,
        "verse": verse,
        "synthetic": True,
        "faulty": bool(faulty),
        "rate": rate,
        "tempo_bpm": TEMPO_BPM,
        "key": KEY,
        "take_gain_db": gain_db,
        **copy.deepcopy(sung.truth),
        "faults": {fault.kind: fault.to_dict() for fault in (*of_voice, *of_recording)} if faulty else {},
    }
    for item in (*truth["words"], *truth["phrases"]):
        for name, clip in (("level_clean_dbfs", clean), ("level_faulty_dbfs", marred)):
            item[name] = round(rms_dbfs(clip.cut(item["start_s"], item["end_s"])), 2)
    return Take(marred if faulty else clean, truth)


@functools.lru_cache(maxsize=1)  # clean and faulty are one performance, and mostly both are wanted
def _performed(verse: str, seed: int, rate: int) -> Sung:
    return sing(score(verse), SINGERS[verse], seed, rate)


def make_backing(seed: int, rate: int = RATE) -> Take:
    """The band for both verses: stereo, in time with :func:`make_take`."""
    clip, truth = play(CHORDS, BEAT_S, LEAD_IN_BEATS * BEAT_S, LENGTH_S, seed, rate)
    about = {
        "title": TITLE,
        "synthetic": True,
        "seed": seed,
        "rate": rate,
        "duration_s": LENGTH_S,
        "tempo_bpm": TEMPO_BPM,
        "key": KEY,
    }
    return Take(clip, {**about, **truth})


_SHIPPED = {
    "lesson_verse_clean": ("first", False),
    "lesson_verse_faulty": ("first", True),
    "second_verse_clean": ("second", False),
    "second_verse_faulty": ("second", True),
    "backing": None,
}
_SHIPPED_SEEDS = {"first": 10664, "second": 13513, "backing": 3}


def shipped_names() -> tuple[str, ...]:
    """Names of the takes that come with the workbook; the song is introduced in ``00_start_here``."""
    return tuple(_SHIPPED)


def make_shipped(name: str) -> Take:
    """Make one of the shipped takes anew (see :func:`shipped_names`)."""
    check_choice("name", name, tuple(_SHIPPED))
    if _SHIPPED[name] is None:
        return make_backing(_SHIPPED_SEEDS["backing"])
    verse, faulty = _SHIPPED[name]
    return make_take(verse, _SHIPPED_SEEDS[verse], faulty)


def shipped(name: str, folder=None) -> Take:
    """Load one of the takes that come with the workbook, as every lesson from ``00_start_here`` on does.

    Parameters
    ----------
    name : str
        One of :func:`shipped_names`.
    folder : path-like, optional
        Where to look; by default ``data_synthetic`` beside the package.

    Raises
    ------
    ValueError
        If there is no such take.
    FileNotFoundError
        If its files are missing.
    """
    check_choice("name", name, tuple(_SHIPPED))
    folder = DATA_FOLDER if folder is None else Path(folder)
    sheet = folder / f"{name}.truth.json"
    if not sheet.is_file():
        raise FileNotFoundError(
            f"folder: {sheet.name} is not in {folder}; make it with 'python -m vocomp_lab make-data'."
        )
    return Take(load(folder / f"{name}.flac"), json.loads(sheet.read_text(encoding="utf-8")))


def make_data(folder=None, progress=None) -> list[Path]:
    """Make all shipped takes: `<name>.flac` (48 kHz, 24 bit) and `<name>.truth.json` for each name.

    Parameters
    ----------
    folder : path-like, optional
        Made if missing; by default ``data_synthetic`` beside the package.
    progress : callable, optional
        Called with (done, total, name) before each take and once at the end.

    Returns
    -------
    list of Path
        The files written.
    """
    folder = DATA_FOLDER if folder is None else Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    report = progress or (lambda done, total, name: None)
    written = []
    for done, name in enumerate(_SHIPPED):
        report(done, len(_SHIPPED), name)
        take = make_shipped(name)
        written.append(save(take.clip, folder / f"{name}.flac"))
        written.append(
            write_whole(folder / f"{name}.truth.json", json.dumps(take.truth, indent=1, ensure_ascii=False) + "\n")
        )
    report(len(_SHIPPED), len(_SHIPPED), "")
    return written
