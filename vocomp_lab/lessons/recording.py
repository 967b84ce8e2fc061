"""A take just recorded: its samples put together, the file it is kept in, and what to say about its level and the room.

Limits are common practice or the project's own, no source.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np

from vocomp_lab.lessons.proposals import VOICE_PEAK_DBFS
from vocomp_lab.lessons.report import QUIET_ROOM_DB, clipped_places, examine
from vocomp_lab.lessons.unkept import not_kept
from vocomp_lab.sound.audio import Clip, check_rate, save
from vocomp_lab.sound.levels import sample_peak_dbfs
from vocomp_lab.sound.text import decibels

LOUDEST_PEAK_DBFS = (-12.0, VOICE_PEAK_DBFS)
"""Where the loudest words of a recording should peak; lesson 01 works it out."""
FAR_TOO_QUIET_DBFS = -24.0
"""A take that never peaks above this is worth singing again at a higher level."""
NOTHING_DBFS = -70.0
CLIPPED_TURN_DB = 10
"""How far to turn down after clipping: how far the wave would have gone can't be known."""
FULL_SCALE = 1.0 - 2.0**-23
"""The highest sample of a 24-bit file."""
_WHERE = "the gain knob of the microphone or interface, or the input level in the computer's sound settings"


@dataclass(frozen=True)
class Verdict:
    """What is said about one thing in a take.

    Attributes
    ----------
    topic : str
        "Level", "Noise" or "Hum".
    word : str
        The verdict in a word or two, such as "good" or "too loud".
    sentence : str
        What was found, and what to turn if something is wrong.
    fine : bool
        Whether it may stay as it is.
    """

    topic: str
    word: str
    sentence: str
    fine: bool

    def __str__(self):
        return f"{self.topic}: {self.word}. {self.sentence}"


def join_pieces(pieces: Sequence[bytes], rate: int) -> Clip:
    """The samples that a page recorded, as a clip.

    Parameters
    ----------
    pieces : sequence of bytes
        One channel of 32-bit floats, little-endian, full scale at ±1, cut into pieces of any length.
    rate : int
        Samples per second.

    Returns
    -------
    Clip
        Mono. Samples beyond full scale are cut off there, as a converter would, so that they fit into a file and count
        as clipped.

    Raises
    ------
    ValueError
        If there are no samples, a piece doesn't hold whole samples, or a sample is no number.
    """
    rate = check_rate(rate)
    for piece in pieces:
        if len(piece) % 4:
            raise ValueError(
                f"take: a piece of {len(piece)} bytes doesn't hold whole samples; give four bytes for each."
            )
    samples = np.concatenate([np.frombuffer(piece, "<f4") for piece in pieces]) if pieces else np.zeros(0)
    if not len(samples):
        raise ValueError("take: nothing was recorded; press Record and sing.")
    if not np.isfinite(samples).all():
        raise ValueError("take: the browser sent samples that are not numbers; record it again.")
    return Clip(np.clip(samples.astype(np.float64), -1.0, FULL_SCALE), rate)


def save_take(clip: Clip, folder, started: datetime) -> Path:
    """Write a take to a 24-bit FLAC file of its own, named after the time at which it began.

    Parameters
    ----------
    clip : Clip
    folder : str or path-like
    started : datetime

    Returns
    -------
    Path
        Such as ``take_2026-11-27_14-03-22.flac``. Where the name is taken, a number is added to it; nothing is
        overwritten.

    Raises
    ------
    ValueError
        If it can't be written there.
    """
    stem = f"take_{started:%Y-%m-%d_%H-%M-%S}"
    try:
        path = _reserved(Path(folder), stem)
        try:
            return save(clip, path)
        except BaseException:
            path.unlink(missing_ok=True)
            raise
    except OSError as error:
        raise ValueError(not_kept(error, Path(folder) / f"{stem}.flac")) from None


def _reserved(folder: Path, stem: str) -> Path:
    """A new, empty file with a name that was free."""
    for number in itertools.count(1):
        path = folder / (f"{stem}.flac" if number == 1 else f"{stem}_{number}.flac")
        try:
            path.touch(exist_ok=False)
            return path
        except FileExistsError:
            continue


def level_word(peak_dbfs: float) -> str:
    """Whether the loudest peak is where it should be: "too loud", "good", "a little quiet" or "too quiet"."""
    low, high = LOUDEST_PEAK_DBFS
    if peak_dbfs > high:
        return "too loud"
    return "good" if peak_dbfs >= low else "a little quiet" if peak_dbfs >= FAR_TOO_QUIET_DBFS else "too quiet"


def judge_level(clip: Clip) -> Verdict:
    """Whether a take was recorded at a good level, and if not, what to turn.

    Parameters
    ----------
    clip : Clip

    Returns
    -------
    Verdict
    """
    low, high = LOUDEST_PEAK_DBFS
    # As it is written, so that the number and the word always agree.
    peak = round(sample_peak_dbfs(clip), 1)
    places = clipped_places(clip)
    if places:
        many = "1 place" if len(places) == 1 else f"{len(places)} places"
        sentence = (
            f"The wave was cut off at full scale in {many}, first at {places[0]:.1f} s, and that can't be repaired: turn "
            f"the input down by about {CLIPPED_TURN_DB} dB ({_WHERE}) and sing it again."
        )
        return Verdict("Level", "too loud", sentence, False)
    if peak < NOTHING_DBFS:
        sentence = (
            "Almost no sound came in: choose another microphone, or look for a mute switch or a gain knob at zero."
        )
        return Verdict("Level", "too quiet", sentence, False)
    word, zone = level_word(peak), f"{decibels(low, 0)} to {decibels(high, 0)} dBFS"
    found = f"The loudest peak is {decibels(peak)} dBFS"
    to_middle_db = abs((low + high) / 2 - peak)
    if word == "too loud":
        sentence = (
            f"{found}, though nothing was cut off; turn the input down by about {to_middle_db:.0f} dB for the next "
            f"take ({_WHERE})."
        )
    elif word == "good":
        sentence = f"{found}, where it should be ({zone})."
    elif word == "a little quiet":
        sentence = (
            f"{found}. In a quiet room that does no harm; {zone} would be better, so turn the input up by about "
            f"{to_middle_db:.0f} dB when you can."
        )
    else:
        sentence = (
            f"{found}, and the noise comes up with the voice: turn the input up by about {to_middle_db:.0f} dB "
            f"({_WHERE}), or move closer to the microphone, and sing it again."
        )
    return Verdict("Level", word, sentence, word in ("good", "a little quiet"))


def judge_room(clip: Clip) -> tuple[Verdict, ...]:
    """What a sound check says: the level, and the noise of the room against the voice.

    Parameters
    ----------
    clip : Clip
        A few seconds of silence, then loud singing.

    Returns
    -------
    tuple of Verdict
        Level and noise; hum, if there is any.

    Notes
    -----
    The noise is measured as in :func:`vocomp_lab.lessons.report.examine`.
    """
    level = judge_level(clip)
    if sample_peak_dbfs(clip) < NOTHING_DBFS:
        return (level,)
    report = examine(clip)
    if "noise in the pauses" not in report.topics:
        sentence = "No singing was found after the silence: do it again, and sing when you are told to."
        return (level, Verdict("Noise", "can't tell", sentence, False))
    noise = report["noise in the pauses"]
    if noise.fine is None:
        sentence = "There was no silence to measure: do it again, and keep still at the start."
        verdicts = [Verdict("Noise", "can't tell", sentence, False)]
    elif np.isinf(noise.value):
        sentence = (
            "The pauses are digital silence, which no room has: something mutes the microphone between words, so look "
            "for noise suppression in the computer's sound settings."
        )
        verdicts = [Verdict("Noise", "worth a look", sentence, False)]
    else:
        below = f"The noise of the room is {decibels(noise.value, 0)} dB below your voice"
        wanted = f"{QUIET_ROOM_DB:.0f} dB or more"
        sentence = (
            f"{below}; {wanted} is fine."
            if noise.fine
            else f"{below}; {wanted} would be better. Move closer to the microphone, and switch off fans and fridges, or "
            "close the window."
        )
        verdicts = [Verdict("Noise", "quiet enough" if noise.fine else "too much", sentence, noise.fine)]
    hum = report["hum"]
    if not hum.fine:
        sentence = f"There is {hum.measured}: try another cable, socket or power supply."
        verdicts.append(Verdict("Hum", "worth a look", sentence, False))
    return (level, *verdicts)
