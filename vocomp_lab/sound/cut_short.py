"""Whether a sound file breaks off: how long it says it is, against what is there.

The sound library goes by what is there and doesn't tell. A copy that was interrupted, or a download that was, would pass
for the whole take.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from pathlib import Path

from vocomp_lab.sound.files import quoted

# A program that writes into a pipe doesn't know the length, and states about the most that 32 bits hold, with a sign or
# without.
_UNKNOWN_32 = (range((1 << 31) - (1 << 12), (1 << 31) + 1), range((1 << 32) - (1 << 12), 1 << 32))
_UNKNOWN_64 = 1 << 60
_W64_HEAD = 16 + 8 + 16  # identifier and size of the file, and what kind it is
_OGG_MOST_PAGE = 27 + 255 + 255 * 255
_OGG_LAST, _OGG_HEAD = 4, 27
_MP3_MOST_PADDING = 2 * 1152
_MOST_CHUNKS = 1_000


def cut_short(path, kind: str, rate: int, frames_read: int, claimed_frames: int) -> str | None:
    """A sentence that says that a sound file is shorter than it says; None if it isn't, or doesn't say how long it is.

    Parameters
    ----------
    path : str or path-like
    kind : str
        The format, as the sound library names it.
    rate : int
        Samples per second.
    frames_read : int
        Frames that were found in it.
    claimed_frames : int
        Frames that the sound library expected.

    Notes
    -----
    WAV, RF64, W64 and AIFF state the length of their data (EBU Tech 3306; the others from memory). MP3 states a number of
    frames where the encoder wrote an information header, as nearly all do (common practice, no source). OGG states no
    length, but closes with a marked page (RFC 3533, section 6). FLAC isn't here: a torn one can't be read at all.
    """
    path = Path(path)
    try:
        with open(path, "rb") as file:
            if kind == "OGG":
                return _open_end(path, rate, frames_read) if _lacks_last_page(file) else None
            if kind in ("MP3", "MPEG"):
                short = _states_frames(file) and frames_read + _MP3_MOST_PADDING < claimed_frames
                stated = claimed_frames if short else 0
            else:
                stated = _stated_by_chunks(file, frames_read)
    except (OSError, struct.error):
        return None
    if stated <= frames_read:
        return None
    there, all_of_it = f"{frames_read / rate:.2f} s", f"{stated / rate:.2f} s"
    if there == all_of_it:
        there, all_of_it = f"{frames_read}", f"{stated} frames"
    return (
        f"path: {quoted(path.name)} is shorter than it says: {there} of {all_of_it} are there; copy or export it again."
    )


def _open_end(path: Path, rate: int, frames_read: int) -> str:
    return (
        f"path: {quoted(path.name)} is shorter than it says: it breaks off after {frames_read / rate:.2f} s, before its "
        "closing page; copy or export it again."
    )


def _stated_by_chunks(file, frames_read: int) -> int:
    """Frames by the stated length of the data; 0 where nothing is missing or nothing is stated."""
    size = os.fstat(file.fileno()).st_size
    head = file.read(12)
    large = None
    if head[:4] == b"riff":
        chunks = _w64_chunks(file, size)
    elif head[:4] in (b"RIFF", b"RF64", b"BW64", b"FORM", b"RIFX"):
        chunks = _chunks(file, size, ">" if head[:4] in (b"FORM", b"RIFX") else "<")
    else:
        return 0
    for name, start, length in chunks:
        if name == b"ds64":
            large = struct.unpack("<8xQ", file.read(16))[0]
        if name in (b"data", b"SSND"):
            there = size - start
            if large is not None and length == 0xFFFFFFFF:
                length = large
            elif any(length in those for those in _UNKNOWN_32):
                return 0
            # The library takes what is there; so the share that is missing in bytes is missing in frames.
            return round(frames_read * length / there) if 0 < there < length < _UNKNOWN_64 else 0
    return 0


def _chunks(file, size: int, order: str) -> Iterator[tuple[bytes, int, int]]:
    """Name, place of the content and stated length of each chunk."""
    at = 12
    for _ in range(_MOST_CHUNKS):
        if at + 8 > size:
            return
        file.seek(at)
        name, length = struct.unpack(f"{order}4sI", file.read(8))
        yield name, at + 8, length
        at += 8 + length + length % 2


def _w64_chunks(file, size: int) -> Iterator[tuple[bytes, int, int]]:
    """As :func:`_chunks`. A chunk's size counts its own head of 24 bytes, and chunks begin at multiples of 8."""
    at = _W64_HEAD
    for _ in range(_MOST_CHUNKS):
        if at + 24 > size:
            return
        file.seek(at)
        name, length = struct.unpack("<4s12xQ", file.read(24))
        yield name, at + 24, max(length - 24, 0)
        at += max(length + 7 & ~7, 24)


def _states_frames(file) -> bool:
    """Whether an MP3 begins with an encoder's information header."""
    head = file.read(10)
    if head[:3] == b"ID3":
        size = 0
        for byte in head[6:10]:
            size = size << 7 | byte & 0x7F
        file.seek(10 + size)
        head = b""
    head += file.read(256)
    return any(name in head for name in (b"Xing", b"Info", b"VBRI"))


def _lacks_last_page(file) -> bool:
    """Whether an OGG file ends within a page, or with one that isn't marked as the last of its stream."""
    size = os.fstat(file.fileno()).st_size
    file.seek(max(size - 2 * _OGG_MOST_PAGE, 0))
    tail = file.read()
    start = tail.find(b"OggS\0")
    while start >= 0:
        last = _last_page(tail, start)
        if last is not None:
            return not last
        start = tail.find(b"OggS\0", start + 1)
    return False


def _last_page(tail: bytes, at: int) -> bool | None:
    """Whether the pages from a place on end with a whole one that is marked as the last; None if no pages begin there."""
    marked, pages = False, 0
    while tail[at : at + 5] == b"OggS\0":
        count = tail[at + 26] if at + 26 < len(tail) else 255
        end = at + _OGG_HEAD + count + sum(tail[at + _OGG_HEAD : at + _OGG_HEAD + count])
        if at + _OGG_HEAD + count > len(tail) or end > len(tail):
            return False
        marked, at, pages = bool(tail[at + 5] & _OGG_LAST), end, pages + 1
    # What follows the last page is rubbish, or the first bytes of another page.
    return marked if b"OggS".startswith(tail[at : at + 4]) or marked else None
