"""Sound in and out: the :class:`Clip` that all parts of the workbook share.

A clip is samples and their rate, nothing more. This is the only module that reads or writes sound files, so the rules
about files (nothing half-written, no silent clipping) stand once.
"""

from __future__ import annotations

import copy
import functools
import hashlib
import io
import math
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import soundfile

from vocomp_lab.sound.checks import By, Of, OrNone, Range, asks, check_number, check_whole, shown
from vocomp_lab.sound.cut_short import cut_short
from vocomp_lab.sound.files import quoted as _quoted
from vocomp_lab.sound.files import what_failed, whole_or_not_at_all

LARGEST_SAMPLE = 1e6
"""The largest magnitude of a sample: +120 dBFS. Much more, and squares of squares get too large for a number."""
SMALLEST_SAMPLE = 2.0**-126
"""What is closer to 0 than this, the least full number of single precision (−758 dBFS), counts as 0: files and the page hold
no such numbers, their squares vanish, and processors are slow at them."""
# So much stays in the processor's cache.
_CHECKED_AT_ONCE = 1 << 14
MIN_RATE_HZ = 8_000
MAX_RATE_HZ = 192_000

_WRITABLE = {".wav": "WAV", ".flac": "FLAC"}
_DEFAULT_SUBTYPE = {"WAV": "FLOAT", "FLAC": "PCM_24"}
_INTEGER_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
_FLOAT_SUBTYPES = ("FLOAT", "DOUBLE")
_FLAC_CHANNELS = 8
_LONGEST_NAME = 255
MAX_CHANNELS = 1_024
"""The most channels of a file that is written: as many as the sound library takes."""
_MOST_CHANNELS = {"FLAC": _FLAC_CHANNELS, "WAV": MAX_CHANNELS}
"""RFC 9639; what the sound library writes."""

MAX_LOADED_SAMPLES = 1 << 28
"""The most samples (frames times channels) that :func:`load` takes into memory: 2 GiB, 93 minutes of mono at 48 kHz."""
BLOCK_SAMPLES = 1 << 19
"""How many samples (frames times channels) are read at a time."""
# The sizes in a WAV header are numbers of 32 bits; RF64 (EBU Tech 3306) is the same file with 64.
_WAV_LIMIT_BYTES = 0xFFFFFFFF - (1 << 16)


@dataclass(frozen=True)
class Origin:
    """Where a clip comes from: a recording, and the frame of it with which the clip begins.

    Attributes
    ----------
    recording : object
        Whatever the maker of the clip wants to find again (:mod:`vocomp_lab.lessons.band` finds the band to a voice by
        it). Clips only carry it along.
    first_frame : int
    words : object
        What knows the words of the recording (:mod:`vocomp_lab.lessons.word_names`), if anything does.
    """

    recording: object
    first_frame: int = 0
    words: object = None


@dataclass(frozen=True, eq=False)
class Clip:
    """A stretch of sound.

    Parameters
    ----------
    samples : array_like of float, shape (frames,) or (frames, channels)
        The samples, full scale at ±1. Copied to read-only float64. Values beyond ±1 are legal: one stage may
        overshoot, and a later one may bring it back. Magnitudes up to 1e6 (+120 dBFS); those under 2^−126 become 0.
    rate : int
        Samples per second, 8,000 to 192,000.
    origin : Origin, optional
        Where it comes from. What is made of a clip has the same origin, as long as no time is cut out or added.

    Raises
    ------
    ValueError
        If the clip is empty, holds NaN, infinity or more than 1e6, has another shape, or its rate is out of range.
    """

    samples: np.ndarray = field(repr=False)
    rate: int
    origin: Origin | None = field(default=None, repr=False)

    def __post_init__(self):
        try:
            given = np.asarray(self.samples)
        except (TypeError, ValueError):  # lists of unequal length
            given = np.array(None)
        if given.dtype.kind == "c":
            raise ValueError("samples: complex values are not sound; give real numbers.")
        if given.dtype.kind not in "iuf":
            raise ValueError(
                f"samples: {shown(self.samples)} can't be read as numbers; "
                "give an array of shape (frames,) or (frames, channels)."
            )
        with np.errstate(over="ignore"):
            samples = np.array(given, dtype=np.float64, order="C")
        if samples.ndim not in (1, 2):
            raise ValueError(f"samples: shape {samples.shape} is not allowed; give (frames,) or (frames, channels).")
        if samples.size == 0:
            raise ValueError(f"samples: the clip is empty (shape {samples.shape}); at least one frame is needed.")
        hold_samples(samples)
        if self.origin is not None and not isinstance(self.origin, Origin):
            raise ValueError(f"origin: {shown(self.origin)} is not allowed; give an Origin or None.")
        object.__setattr__(self, "rate", check_rate(self.rate))
        samples.flags.writeable = False
        object.__setattr__(self, "samples", samples)

    @property
    def frames(self) -> int:
        """Number of sample frames."""
        return self.samples.shape[0]

    @property
    def channels(self) -> int:
        """Number of channels; 1 for a clip of shape (frames,)."""
        return 1 if self.samples.ndim == 1 else self.samples.shape[1]

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.rate

    @property
    def columns(self) -> np.ndarray:
        """The samples as a view of shape (frames, channels), whatever their own shape."""
        return self.samples.reshape(self.frames, -1)

    def times_s(self) -> np.ndarray:
        """Time of every frame in seconds, shape (frames,)."""
        return np.arange(self.frames) / self.rate

    def with_samples(self, samples) -> "Clip":
        """A clip at the same rate with other samples."""
        made = Clip(samples, self.rate)
        return made.coming_from(self.origin) if made.frames == self.frames else made

    @asks(origin=OrNone(Of(Origin, "an Origin or None")))
    def coming_from(self, origin: Origin | None) -> "Clip":
        """The same sound with another origin."""
        if origin == self.origin:
            return self
        same = copy.copy(self)  # a new Clip would copy the samples
        object.__setattr__(same, "origin", origin)
        return same

    def gained(self, gain_db: float) -> "Clip":
        """The clip made louder by `gain_db` decibels (softer if negative)."""
        gain_db = check_number("gain_db", gain_db, -math.inf, 400, "dB")
        return self.with_samples(self.samples * 10.0 ** (gain_db / 20.0))

    def cut(self, start_s: float, end_s: float) -> "Clip":
        """The stretch from `start_s` to `end_s`, both clamped to the clip; at least one frame long."""
        start_s = check_number("start_s", start_s, -math.inf, math.inf, "s")
        end_s = check_number("end_s", end_s, -math.inf, math.inf, "s")
        start = round(min(max(start_s * self.rate, 0), self.frames - 1))
        end = round(min(max(end_s * self.rate, start + 1), self.frames))
        part = Clip(self.samples[start:end], self.rate)
        if self.origin is None:
            return part
        return part.coming_from(replace(self.origin, first_frame=self.origin.first_frame + start))

    def fingerprint(self) -> tuple:
        """What equal clips share and others don't, for remembering what was measured: rate, shape, digest of the sound."""
        return self._fingerprint

    @functools.cached_property
    def _fingerprint(self) -> tuple:
        return self.rate, self.samples.shape, hashlib.blake2b(self.samples).digest()

    def __eq__(self, other):
        if not isinstance(other, Clip):
            return NotImplemented
        return self.rate == other.rate and np.array_equal(self.samples, other.samples)

    __hash__ = None


A_CLIP = Of(Clip, "a Clip, such as one from load()")
"""The rule that something is a clip."""


def hold_samples(samples: np.ndarray, first_frame: int = 0, field: str = "samples") -> np.ndarray:
    """Hold an array to what a clip may hold: the one check of samples, for clips and for sound in blocks.

    Parameters
    ----------
    samples : ndarray of float64, shape (frames,) or (frames, channels)
        It must be the caller's own: magnitudes under ``SMALLEST_SAMPLE`` become 0 in place.
    first_frame : int
        Number of the first of these frames, for the message.
    field : str
        What the message calls them.

    Raises
    ------
    ValueError
        If a sample is NaN or infinite, or larger than ``LARGEST_SAMPLE``.
    """
    flat = samples.reshape(-1)
    for start in range(0, flat.size, _CHECKED_AT_ONCE):
        part = flat[start : start + _CHECKED_AT_ONCE]
        magnitudes = np.abs(part)
        if not magnitudes.max() <= LARGEST_SAMPLE:  # true of NaN, too
            check_samples(samples, first_frame, field)
        if magnitudes.min() < SMALLEST_SAMPLE:
            part[magnitudes < SMALLEST_SAMPLE] = 0.0
    return samples


def check_samples(samples: np.ndarray, first_frame: int = 0, field: str = "samples") -> None:
    """The same without changing anything."""
    if samples.size == 0 or max(samples.max(), -samples.min()) <= LARGEST_SAMPLE:  # never true of NaN
        return
    rows = samples.reshape(len(samples), -1)
    finite = np.isfinite(rows).all(axis=1)
    if not finite.all():
        frame = first_frame + int(np.argmin(finite))
        raise ValueError(f"{field}: frame {frame} holds NaN or infinity; every sample must be a finite number.")
    frame = int(np.argmax(np.abs(rows).max(axis=1) > LARGEST_SAMPLE))
    largest = float(np.abs(rows[frame]).max())
    raise ValueError(
        f"{field}: frame {first_frame + frame} holds {largest:.3g}; full scale is 1, and at most {LARGEST_SAMPLE:g} "
        "(+120 dBFS) is allowed."
    )


def check_rate(rate) -> int:
    """The sample rate as an int, or a ValueError that says what is allowed."""
    try:
        whole = int(rate)
        exact = not isinstance(rate, bool) and whole == rate
    except (TypeError, ValueError, OverflowError):
        exact = False
    if not exact or not MIN_RATE_HZ <= whole <= MAX_RATE_HZ:
        raise ValueError(
            f"rate: {shown(rate)} is not allowed; give a whole number of Hz from {MIN_RATE_HZ} to {MAX_RATE_HZ}."
        )
    return whole


A_RATE = By(check_rate)
"""The rule that something is a sample rate."""
CURVE_RATE = Range(1, MAX_RATE_HZ, "Hz")
"""The rule that something is the rate of a curve, such as a reduction, which may be a slow one."""


def check_as_long(field: str, clip: Clip, of: str, other: Clip) -> None:
    """Refuse a clip that has not the length and rate of another one."""
    if (clip.rate, clip.frames) != (other.rate, other.frames):
        raise ValueError(
            f"{field}: {clip.frames} frames at {clip.rate} Hz don't fit {of}'s {other.frames} at {other.rate} Hz."
        )


def check_path(path, field: str = "path", what: str = "file") -> Path:
    """The name of a file or folder as a path, or a ValueError that says what is allowed."""
    try:
        made = Path(path)
        if "\0" in str(made):
            raise TypeError
        longest = max((len(os.fsencode(part)) for part in made.parts), default=0)
    except (TypeError, UnicodeEncodeError):  # half a character is in no name
        raise ValueError(f"{field}: {shown(path)} is not allowed; give the name of a {what}.") from None
    if longest > _LONGEST_NAME:
        raise ValueError(f"{field}: {_quoted(made)} is too long for the name of a {what}.")
    return made


def load(path) -> Clip:
    """Read a sound file.

    Parameters
    ----------
    path : str or path-like
        A WAV, FLAC, AIFF or OGG file, of any width and number of channels.

    Returns
    -------
    Clip
        Shape (frames,) for a mono file, else (frames, channels).

    Raises
    ------
    FileNotFoundError
        If there is no such file, or only a folder or a pipe with that name.
    ValueError
        If the file can't be read as sound, or its contents are no legal clip.
    """
    with SoundReader(path) as reader:
        return reader.clip(_check_fits)


def _check_fits(reader: SoundReader) -> None:
    limit = MAX_LOADED_SAMPLES // reader.channels
    if reader.frames_read > limit:
        raise ValueError(
            f"path: {_quoted(reader.path.name)} is longer than the {limit / reader.rate / 60:.0f} minutes that fit in "
            "memory; take a part of it, or give it to python -m vocomp_lab render or measure."
        )


class SoundReader:
    """A sound file read block by block, so its length doesn't matter.

    Parameters
    ----------
    path : str or path-like
        A WAV, RF64, W64, FLAC, AIFF or OGG file, of any width and number of channels.

    Attributes
    ----------
    path : Path
    rate, channels : int
    claimed_frames : int
        The length that the file's header states, which may be wrong.
    frames_read : int
        Frames read so far.

    Raises
    ------
    FileNotFoundError
        If there is no such file, or only a folder or a pipe with that name.
    ValueError
        If the file can't be read as sound.

    Notes
    -----
    Use it in a ``with`` statement.
    """

    def __init__(self, path):
        self.path = check_path(path)
        self.frames_read = 0
        with self._translated():
            mode = _mode_of(self.path)
            if mode is None:
                raise FileNotFoundError(f"path: there is no file {_quoted(self.path)}.")
            if not stat.S_ISREG(mode):
                kind = "a folder" if stat.S_ISDIR(mode) else "no ordinary file"
                raise FileNotFoundError(f"path: there is no file {_quoted(self.path)}: it is {kind}.")
            with open(self.path, "rb"):  # the library would only speak of a "system error"
                pass
            self._file = _OnwardFile(str(self.path))
        self.rate, self.channels, self.claimed_frames = self._file.samplerate, self._file.channels, self._file.frames
        try:
            with self.explained():
                check_rate(self.rate)
        except ValueError:
            self._file.close()
            raise

    def blocks(self, frames: int | None = None) -> Iterator[np.ndarray]:
        """The samples in order, in blocks of shape (frames, channels).

        Parameters
        ----------
        frames : int, optional
            Length of a block; the last one may be shorter. Default: as many as `BLOCK_SAMPLES` allows.

        Raises
        ------
        ValueError
            If reading fails, or the file holds NaN, infinity or samples too large for a clip.
        """
        frames = max(BLOCK_SAMPLES // self.channels, 1) if frames is None else frames
        while True:
            with self._translated():
                block = self._file.read(frames, dtype="float64", always_2d=True)
            if len(block) == 0:
                return
            with self.explained():
                hold_samples(block, self.frames_read)
            self.frames_read += len(block)
            yield block

    def clip(self, check=None) -> Clip:
        """The rest of the file, as a clip.

        Parameters
        ----------
        check : callable, optional
            Called with the reader after each block; it may raise if the file gets too long. The length in the header
            isn't trusted, and only what was read takes memory.

        Raises
        ------
        ValueError
            If reading fails, or the contents are no legal clip.
        """
        blocks = []
        for block in self.blocks():
            blocks.append(block)
            if check is not None:
                check(self)
        samples = np.concatenate(blocks) if blocks else np.zeros((0, self.channels))
        del blocks
        with self.explained():
            return Clip(samples[:, 0] if self.channels == 1 else samples, self.rate)

    @contextmanager
    def explained(self):
        """Make a ValueError raised inside say that it is about this file's contents."""
        try:
            yield
        except ValueError as error:
            raise ValueError(f"path: {_quoted(self.path.name)} was read, but {error}") from None

    @contextmanager
    def _translated(self):
        """Turn what the library raises into one sentence."""
        try:
            yield
        except FileNotFoundError:
            raise
        except UnicodeEncodeError:  # the sound library takes names in UTF-8 only
            raise ValueError(f"path: {_quoted(self.path.name)} can't be opened (its name is not UTF-8).") from None
        except (RuntimeError, OSError, TypeError, MemoryError) as error:
            name = self.path.name
            if isinstance(error, OSError) and error.strerror:
                raise ValueError(what_failed(error, name)) from None
            raise ValueError(
                f"path: {_quoted(name)} can't be read as WAV, FLAC, AIFF or OGG sound ({_reason(error)}); "
                "give another file, or export it again as WAV."
            ) from None

    def cut_short(self) -> str | None:
        """A sentence that says so if the file, now read to its end, is shorter than it says; else None."""
        return cut_short(self.path, self._file.format, self.rate, self.frames_read, self.claimed_frames)

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def __enter__(self):
        return self

    def __exit__(self, *error):
        self.close()


@asks(clip=A_CLIP)
def save(clip: Clip, path, subtype: str | None = None) -> Path:
    """Write a clip to a file, whole or not at all.

    The samples go to a new file beside the target, which is then renamed over it. So the target is either the old file
    or the finished new one, never a part.

    Parameters
    ----------
    clip : Clip
    path : str or path-like
        The suffix chooses the format: ``.wav`` or ``.flac``.
    subtype : str, optional
        ``"FLOAT"`` or ``"DOUBLE"`` (WAV), ``"PCM_U8"`` (WAV), ``"PCM_S8"`` (FLAC), ``"PCM_16"``, ``"PCM_24"``,
        ``"PCM_32"`` (WAV). Default: 32-bit float for WAV, 24-bit PCM for FLAC.

    Returns
    -------
    Path
        The path written to.

    Raises
    ------
    ValueError
        If the suffix or subtype can't be written, or the peaks don't fit into PCM: the message gives the gain that
        fits.
    """
    path = check_path(path)
    kind, subtype = encoding(path, subtype)
    _refuse_channels(path, kind, clip.channels)
    samples = clip.samples
    if subtype in _INTEGER_BITS:
        _refuse_clipping("clip", float(samples.min()), float(samples.max()), subtype, "clip.gained({:.1f})")
        samples = _in_steps(samples, subtype)
    with _written_whole(path) as beside:
        soundfile.write(beside, samples, clip.rate, subtype=subtype, format=kind)
    return path


class SoundWriter:
    """A sound file written block by block, which appears whole or not at all.

    Parameters
    ----------
    path : str or path-like
        The suffix chooses the format, as in :func:`save`.
    rate, channels : int
    subtype : str, optional
        As in :func:`save`.
    frames : int
        The final length, if known: a WAV file over 4 GiB is written as RF64, which reads the same.
    overwrite : bool
        Whether a file that has this name at the end is replaced.

    Raises
    ------
    FileExistsError
        At the end, if the name is taken and may not be replaced.
    ValueError
        At the end if the peaks don't fit into PCM (then nothing is left behind), or at once if the settings are not
        allowed or the file can't be written.

    Notes
    -----
    Use it in a ``with`` statement. At its end the file appears under its name; after an error, an older file is left as
    it was.
    """

    def __init__(
        self, path, rate: int, channels: int, subtype: str | None = None, frames: int = 0, overwrite: bool = True
    ):
        self.path, self.overwrite = check_path(path), overwrite
        self.rate, self.channels = check_rate(rate), check_whole("channels", channels, 1, MAX_CHANNELS)
        self.kind, self.subtype = encoding(self.path, subtype)
        _refuse_channels(self.path, self.kind, channels)
        frame_bytes = channels * ({"FLOAT": 4, "DOUBLE": 8}.get(self.subtype) or _INTEGER_BITS[self.subtype] // 8)
        if self.kind == "WAV" and frames * frame_bytes > _WAV_LIMIT_BYTES:
            self.kind = "RF64"
        self._room = _WAV_LIMIT_BYTES // frame_bytes if self.kind == "WAV" else math.inf
        self._lowest = self._highest = 0.0
        self._lost = False

    def write(self, block: np.ndarray) -> None:
        """Add samples, shape (frames, channels), full scale at ±1."""
        if len(block) == 0:
            return
        self._lowest = min(self._lowest, float(block.min()))
        self._highest = max(self._highest, float(block.max()))
        if self.subtype in _INTEGER_BITS:
            # Once a peak is too high, only the highest still matters: the message says what gain would fit.
            self._lost = self._lost or _clips(self._lowest, self._highest, self.subtype)
            block = _in_steps(block, self.subtype)
        if not self._lost:
            self._write(block)

    def _write(self, block):
        self._room -= len(block)
        if self._room < 0:
            raise ValueError(
                f"path: {_quoted(self.path.name)} gets longer than a WAV file can be; write .flac instead."
            )
        try:
            self._file.write(block)
        except AssertionError:  # the library's way to say that the disk took only a part
            raise OSError(
                f"path: {_quoted(self.path.name)} can't be written to the end; the disk may be full."
            ) from None

    def __enter__(self):
        self._staging = _written_whole(self.path, self.overwrite)
        beside = self._staging.__enter__()
        try:
            self._file = _OnwardFile(beside, "w", self.rate, self.channels, self.subtype, format=self.kind)
        except BaseException as error:
            self._staging.__exit__(type(error), error, error.__traceback__)
            raise
        return self

    def __exit__(self, kind, error, trace):
        try:
            self._file.close()
            if error is None and self.subtype in _INTEGER_BITS:
                _refuse_clipping(
                    "output", self._lowest, self._highest, self.subtype, "a stage Gain of {:.1f} dB at the end"
                )
        except BaseException as late:
            self._staging.__exit__(type(late), late, late.__traceback__)
            raise
        return self._staging.__exit__(kind, error, trace)


class _OnwardFile(soundfile.SoundFile):
    """A sound file that is read or written from start to end, without seeking.

    The library would seek to its own position after every block. That costs time, blurs MP3, and fails in a FLAC file
    whose header has no length, as some programs write it.
    """

    def seekable(self):
        return False


def encoding(path, subtype: str | None = None) -> tuple[str, str]:
    """Format and subtype in which a file would be written, as :func:`save` describes them.

    Raises
    ------
    ValueError
        If the suffix or subtype can't be written.
    """
    path = check_path(path)
    kind = _WRITABLE.get(path.suffix.lower())
    if kind is None:
        raise ValueError(f"path: suffix {path.suffix!r} can't be written; give one of {', '.join(sorted(_WRITABLE))}.")
    if subtype is not None and not isinstance(subtype, str):
        raise ValueError(f"subtype: {shown(subtype)} is not allowed; give a word such as 'PCM_16', or None.")
    subtype = _DEFAULT_SUBTYPE[kind] if subtype is None else subtype.upper()
    allowed = [s for s in (*_INTEGER_BITS, *_FLOAT_SUBTYPES) if soundfile.check_format(kind, s)]
    if subtype not in allowed:
        raise ValueError(
            f"subtype: {shown(subtype)} can't be written to {path.suffix}; give one of {', '.join(allowed)}."
        )
    return kind, subtype


def _refuse_channels(path: Path, kind: str, channels: int) -> None:
    most = _MOST_CHANNELS[kind]
    if channels > most:
        remedy = "write .wav instead" if kind == "FLAC" else "write fewer of them"
        raise ValueError(
            f"path: {_quoted(path.name)} can't hold {channels} channels, since {kind} takes {most}; {remedy}."
        )


def _ceiling(subtype: str) -> float:
    """The largest code of a two's-complement word: one step short of full scale."""
    return 1.0 - 2.0 ** (1 - _INTEGER_BITS[subtype])


def _clips(lowest: float, highest: float, subtype: str) -> bool:
    return highest > _ceiling(subtype) + 2.0 ** -_INTEGER_BITS[subtype] or lowest < -1.0


def _refuse_clipping(what: str, lowest: float, highest: float, subtype: str, remedy: str) -> None:
    if _clips(lowest, highest, subtype):
        peak = max(highest, -lowest)
        fits = math.floor(200.0 * math.log10(_ceiling(subtype) / peak)) / 10.0
        raise ValueError(
            f"{what}: its peak of {20 * math.log10(peak):+.2f} dBFS would clip in {subtype}; "
            f"turn it down by {-fits:.1f} dB with {remedy.format(fits)}, or save as FLOAT to .wav."
        )


def _in_steps(samples: np.ndarray, subtype: str) -> np.ndarray:
    """Samples on whole steps: libsndfile cuts off what is below a step, which would shift everything by half a step."""
    steps = 2.0 ** (_INTEGER_BITS[subtype] - 1)
    whole = samples * steps
    np.rint(whole, out=whole)
    whole *= 1.0 / steps  # a power of two, so exact
    return whole


@contextmanager
def _written_whole(path: Path, overwrite: bool = True):
    """As :func:`vocomp_lab.sound.files.whole_or_not_at_all`, but what the sound library can't write becomes one
    sentence."""
    try:
        with whole_or_not_at_all(path, overwrite) as beside:
            yield beside
    except soundfile.LibsndfileError as error:
        raise ValueError(
            f"path: {_quoted(path.name)} can't be written ({_reason(error)}); choose another folder or format."
        ) from None


def _reason(error: Exception) -> str:
    """Why a file failed, as part of a sentence."""
    reason = (
        getattr(error, "error_string", None) or getattr(error, "strerror", None) or str(error) or type(error).__name__
    )
    reason = " ".join(reason.split()).rstrip(".")
    return "the system refused; the disk may be full" if reason == "System error" else reason


def _mode_of(path: Path) -> int | None:
    """The mode of the file at a path; None if there is none."""
    try:
        return path.stat().st_mode
    except (FileNotFoundError, NotADirectoryError):
        return None
    except ValueError:  # a null character in the name
        return None


def channel_by_channel(columns: np.ndarray) -> np.ndarray:
    """Samples of shape (frames, channels) so that those of a channel lie side by side in memory; copied if need be.

    NumPy is slow at short rows: what two channels have in common is found several times faster this way.
    """
    return columns if columns.strides[0] == columns.itemsize else np.asfortranarray(columns)


def all_finite(columns: np.ndarray) -> bool:
    """Whether no sample is NaN or infinite."""
    # A sum shows either, in a quarter of the time of looking at each; but a sum of very large samples shows it, too.
    with np.errstate(over="ignore", invalid="ignore"):
        return bool(np.isfinite(columns.sum()) or np.isfinite(columns).all())


def largest_magnitudes(columns: np.ndarray) -> np.ndarray:
    """The magnitude of the largest channel of each frame, shape (frames,)."""
    return functools.reduce(np.maximum, np.abs(columns).T)


def encode(clip: Clip, kind: str = "FLAC", subtype: str = "PCM_16") -> bytes:
    """A clip as the bytes of a sound file, for a player in a page.

    Samples beyond full scale would clip: scale the clip first. FLAC holds eight channels (RFC 9639); with more, the
    bytes are WAV, which a browser knows by its contents.
    """
    kind = "WAV" if kind == "FLAC" and clip.channels > _FLAC_CHANNELS else kind
    buffer = io.BytesIO()
    soundfile.write(buffer, clip.samples, clip.rate, format=kind, subtype=subtype)
    return buffer.getvalue()
