"""The workbook's own song: invented verses, a chorus, two invented singers, and the takes that the lessons work on.

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
from vocomp_lab.singer.lyrics import CHORUS, FIRST, SECOND, VERSE
from vocomp_lab.singer.manners import MANNERS
from vocomp_lab.singer.score import Score, Singer, Syllable
from vocomp_lab.singer.voice import Sung, sing
from vocomp_lab.sound.audio import A_RATE, Clip, check_path, load, save
from vocomp_lab.sound.checks import Flag, Whole, asks, check_choice
from vocomp_lab.sound.files import quoted, write_whole
from vocomp_lab.sound.levels import rms_dbfs, sample_peak_dbfs
from vocomp_lab.sound.shipped_folders import DATA_FOLDER, IS_INSTALLED, check_outside

TITLE = "Tin Boats"
TEMPO_BPM = 76.0
BEAT_S = 60.0 / TEMPO_BPM
LEAD_IN_BEATS = 1.5
BAR_BEATS = 4
KEY = "A minor"
RATE = 48_000
VOICE_PEAK_DBFS = -6.0
CLEAN_FLOOR_DBFS = -82.0

_SIXTEENTH_S = BEAT_S / 4.0

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


@dataclass(frozen=True)
class Part:
    """A section of a piece: its name, its lines, and how much more effort it is sung with, and the band plays with, in dB."""

    name: str
    lines: tuple
    effort_db: float = 0.0
    band_db: float = 0.0


@dataclass(frozen=True)
class Piece:
    """What is sung: by whom, which sections, over which chords (one a bar, and the last one rings out), and how long."""

    singer: str
    sections: tuple[Part, ...]
    chords: tuple[str, ...]
    length_s: float

    @property
    def lines(self) -> list[tuple[tuple, Part]]:
        """Each line with its section; a line lasts a bar."""
        return [(line, section) for section in self.sections for line in section.lines]


_VERSE_CHORDS = ("Am7", "C", "F", "G", "Am")
_PIECES = {
    "first": Piece("first", (Part("verse", FIRST),), _VERSE_CHORDS, 15.6),
    "second": Piece("second", (Part("verse", SECOND),), _VERSE_CHORDS, 15.6),
    "song": Piece(
        "first",
        (Part("verse", VERSE, -2.0), Part("chorus", CHORUS, 2.5, 3.0)),
        ("Am7", "F", "C", "G", "F", "C", "G", "Am7", "Am"),
        28.2,
    ),
}


def score(verse: str) -> Score:
    """The score of a verse, ``"first"`` or ``"second"``, or of the ``"song"`` with its verse and chorus."""
    check_choice("verse", verse, tuple(_PIECES))
    phrases = []
    for bar, (line, section) in enumerate(_PIECES[verse].lines):
        start = (LEAD_IN_BEATS + bar * BAR_BEATS) * BEAT_S
        phrases.append(
            tuple(
                Syllable(
                    text,
                    phones,
                    start + at * _SIXTEENTH_S,
                    length * _SIXTEENTH_S,
                    pitch,
                    stress + section.effort_db,
                    bool(hard),
                )
                for text, phones, at, length, pitch, stress, *hard in line
            )
        )
    return Score(tuple(phrases), _PIECES[verse].length_s)


@dataclass(frozen=True, eq=False)
class Take:
    """A recording and the truth about it (its fields are described in ``data_synthetic/README.md``)."""

    clip: Clip
    truth: dict


@asks(seed=Whole(0, 2**63 - 1), faulty=Flag(), rate=A_RATE)
def make_take(verse: str, seed: int, faulty: bool = True, rate: int = RATE, manner: str = "plain") -> Take:
    """Record a verse: a fresh take for trying out what a lesson taught (see ``00_start_here``).

    Parameters
    ----------
    verse : {"first", "second", "song"}
        Which verse, and so which singer; or a soft verse and its louder chorus, by the first.
    seed : int
        Performance and faults. The same seed gives the same performance, clean or faulty; another seed gives another
        loud word, quiet phrase, resonance and so on.
    faulty : bool
        With the faults, or the clean take at the same gain.
    rate : int
        Samples per second.
    manner : {"plain", "quiet", "loud", "spoken"}
        As in the shipped takes; soft and breathy; pushed, with hard attacks; or the words on the beat, nearly on one
        note. The microphone's gain is set for each, so they differ in sound and in how even they are, not in level.

    Returns
    -------
    Take
        Mono; the faulty voice peaks at −6 dBFS before pops and noises are added.
    """
    check_choice("verse", verse, tuple(_PIECES))
    check_choice("manner", manner, tuple(MANNERS))
    sung = _performed(verse, seed, rate, manner)
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
        **({} if manner == "plain" else {"manner": manner}),
        **copy.deepcopy(sung.truth),
        "faults": {fault.kind: fault.to_dict() for fault in (*of_voice, *of_recording)} if faulty else {},
    }
    sections = _sections_of(verse, truth)
    if len(sections) > 1:
        truth["sections"], truth["backing"] = sections, "song_backing"
    for item in (*truth["words"], *truth["phrases"]):
        for name, clip in (("level_clean_dbfs", clean), ("level_faulty_dbfs", marred)):
            item[name] = round(rms_dbfs(clip.cut(item["start_s"], item["end_s"])), 2)
    return Take(marred if faulty else clean, truth)


@functools.lru_cache(maxsize=1)  # clean and faulty are one performance, and mostly both are wanted
def _performed(verse: str, seed: int, rate: int, manner: str) -> Sung:
    how, singer = MANNERS[manner], SINGERS[_PIECES[verse].singer]
    if manner == "plain":
        return sing(score(verse), singer, seed, rate)
    in_manner = how.score(score(verse), singer, LEAD_IN_BEATS * BEAT_S, _SIXTEENTH_S)
    return sing(in_manner, how.singer(singer), seed, rate)


def _sections_of(verse: str, truth: dict) -> list[dict]:
    """Each section's name, its time (they meet in the middle of the pause between them), and its phrases."""
    out, first, start_s = [], 0, 0.0
    for section in _PIECES[verse].sections:
        last = first + len(section.lines)
        ends = truth["phrases"][last - 1]["end_s"]
        end_s = (ends + truth["phrases"][last]["start_s"]) / 2 if last < len(truth["phrases"]) else truth["duration_s"]
        out.append({"name": section.name, "start_s": start_s, "end_s": round(end_s, 4), "phrases": [first, last]})
        first, start_s = last, round(end_s, 4)
    return out


def make_backing(seed: int, rate: int = RATE, verse: str = "first") -> Take:
    """The band: stereo, in time with :func:`make_take`; both verses have the same.

    Parameters
    ----------
    seed : int
        The performance.
    rate : int
        Samples per second.
    verse : {"first", "second", "song"}
        What it accompanies.
    """
    check_choice("verse", verse, tuple(_PIECES))
    piece = _PIECES[verse]
    swells_db = [section.band_db for _, section in piece.lines]
    clip, truth = play(
        piece.chords, BEAT_S, LEAD_IN_BEATS * BEAT_S, piece.length_s, seed, rate, (*swells_db, swells_db[-1])
    )
    about = {
        "title": TITLE,
        "synthetic": True,
        "seed": seed,
        "rate": rate,
        "duration_s": piece.length_s,
        "tempo_bpm": TEMPO_BPM,
        "key": KEY,
    }
    return Take(clip, {**about, **truth})


_BAND = "the band"
_SHIPPED = {
    "lesson_verse_clean": ("first", False),
    "lesson_verse_faulty": ("first", True),
    "second_verse_clean": ("second", False),
    "second_verse_faulty": ("second", True),
    "backing": ("first", _BAND),
    "song_clean": ("song", False),
    "song_faulty": ("song", True),
    "song_backing": ("song", _BAND),
}
_SHIPPED_SEEDS = {"first": 10664, "second": 13513, "song": 2013}
_BAND_SEED = 3
# The song is twice as long as a verse, so its files are kept in 16 bits: even there, a quiet room is 16 dB above the
# steps.
_SUBTYPES = {"song": "PCM_16"}


def shipped_names() -> tuple[str, ...]:
    """Names of the takes that come with the workbook; the song is introduced in ``00_start_here``."""
    return tuple(_SHIPPED)


def make_shipped(name: str) -> Take:
    """Make one of the shipped takes anew (see :func:`shipped_names`)."""
    check_choice("name", name, tuple(_SHIPPED))
    verse, faulty = _SHIPPED[name]
    if faulty is _BAND:
        return make_backing(_BAND_SEED, verse=verse)
    return make_take(verse, _SHIPPED_SEEDS[verse], faulty)


def shipped(name: str, folder=None) -> Take:
    """Load one of the takes that come with the workbook, as every lesson from ``00_start_here`` on does.

    Parameters
    ----------
    name : str
        One of :func:`shipped_names`.
    folder : path-like, optional
        Where to look; by default the workbook's own folder of clips.

    Raises
    ------
    ValueError
        If there is no such take.
    FileNotFoundError
        If its files are missing.
    """
    check_choice("name", name, tuple(_SHIPPED))
    folder = DATA_FOLDER if folder is None else check_path(folder, "folder", "folder")
    sheet = folder / f"{name}.truth.json"
    if not sheet.is_file():
        again = "install the workbook again" if IS_INSTALLED else "make it with 'python -m vocomp_lab make-data'"
        raise FileNotFoundError(f"folder: {sheet.name} is not in {quoted(folder)}; {again}.")
    return Take(load(folder / f"{name}.flac"), json.loads(sheet.read_text(encoding="utf-8")))


def make_data(folder=None, progress=None) -> list[Path]:
    """Make all shipped takes: `<name>.flac` (48 kHz, 24 bit; the song 16 bit) and `<name>.truth.json` for each name.

    Parameters
    ----------
    folder : path-like, optional
        Made if missing; by default that of a checkout, or where the workbook is installed, ``data_synthetic`` in the
        folder that one works in: what is installed is never written to.
    progress : callable, optional
        Called with (done, total, name) before each take and once at the end.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    ValueError
        If the folder is part of an installed workbook.
    """
    if folder is None:
        folder = Path(DATA_FOLDER.name) if IS_INSTALLED else DATA_FOLDER
    folder = check_outside(folder)
    folder.mkdir(parents=True, exist_ok=True)
    report = progress or (lambda done, total, name: None)
    written = []
    for done, name in enumerate(_SHIPPED):
        report(done, len(_SHIPPED), name)
        take = make_shipped(name)
        written.append(save(take.clip, folder / f"{name}.flac", _SUBTYPES.get(_SHIPPED[name][0])))
        written.append(
            write_whole(folder / f"{name}.truth.json", json.dumps(take.truth, indent=1, ensure_ascii=False) + "\n")
        )
    report(len(_SHIPPED), len(_SHIPPED), "")
    return written
