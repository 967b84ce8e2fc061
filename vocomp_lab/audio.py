"""Sound in and out: the :class:`Clip` that every part of the workbook passes on.

A clip is a block of samples and the rate they were taken at, nothing more. This is the only module that reads or
writes sound files, so that the rules about files (nothing half-written, nothing clipped in silence) stand once.
"""

from __future__ import annotations

import io
import math
import os
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile

from vocomp_lab.checks import check_number, shown

MIN_RATE_HZ = 8_000
MAX_RATE_HZ = 192_000

_WRITABLE = {".wav": "WAV", ".flac": "FLAC"}
_DEFAULT_SUBTYPE = {"WAV": "FLOAT", "FLAC": "PCM_24"}
_INTEGER_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
_FLOAT_SUBTYPES = ("FLOAT", "DOUBLE")


@dataclass(frozen=True, eq=False)
class Clip:
    """A stretch of sound.

    Parameters
    ----------
    samples : array_like of float, shape (frames,) or (frames, channels)
        The samples, full scale at ±1. Copied to read-only float64; values beyond ±1 are legal, since a stage may
        overshoot and a later one come back.
    rate : int
        Samples per second, 8,000 to 192,000.

    Raises
    ------
    ValueError
        If the clip is empty, holds NaN or infinity, has another shape, or its rate is out of range.

    Notes
    -----
    Explained in notebook ``00_start_here``.
    """

    samples: np.ndarray = field(repr=False)
    rate: int

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
        if not np.isfinite(samples).all():
            where = int(np.argmin(np.isfinite(samples).reshape(len(samples), -1).all(axis=1)))
            raise ValueError(f"samples: frame {where} holds NaN or infinity; every sample must be a finite number.")
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
        """The samples as (frames, channels), a view, whatever shape they have."""
        return self.samples.reshape(self.frames, -1)

    def times_s(self) -> np.ndarray:
        """Time of every frame in seconds, shape (frames,)."""
        return np.arange(self.frames) / self.rate

    def with_samples(self, samples) -> "Clip":
        """A clip at the same rate that holds other samples."""
        return Clip(samples, self.rate)

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
        return self.with_samples(self.samples[start:end])

    def __eq__(self, other):
        if not isinstance(other, Clip):
            return NotImplemented
        return self.rate == other.rate and np.array_equal(self.samples, other.samples)

    __hash__ = None


def check_rate(rate) -> int:
    """The sample rate as an int, or a ValueError that says what is allowed."""
    try:
        whole = int(rate)
        exact = not isinstance(rate, bool) and whole == rate
    except (TypeError, ValueError, OverflowError):
        exact = False
    if not exact or not MIN_RATE_HZ <= whole <= MAX_RATE_HZ:
        raise ValueError(f"rate: {shown(rate)} is not allowed; give a whole number of Hz from {MIN_RATE_HZ} to {MAX_RATE_HZ}.")
    return whole


def load(path) -> Clip:
    """Read a sound file.

    Parameters
    ----------
    path : str or path-like
        A WAV, FLAC, AIFF or OGG file, at any width, of any number of channels.

    Returns
    -------
    Clip
        Shape (frames,) for a mono file, else (frames, channels).

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        If the file is no sound file that can be read, or its contents are no legal clip.

    Notes
    -----
    Explained in ``09_your_own_vocal``.
    """
    path = Path(path)
    if not path.is_file():
        raise FileNotFoundError(f"path: there is no file {str(path)!r}.")
    try:
        samples, rate = soundfile.read(str(path), dtype="float64", always_2d=False)
    except (RuntimeError, OSError, ValueError, TypeError, MemoryError) as error:
        reason = getattr(error, "error_string", None) or str(error)
        raise ValueError(
            f"path: {path.name!r} can't be read as WAV, FLAC, AIFF or OGG sound ({reason.strip().rstrip('.')})."
        ) from None
    try:
        return Clip(samples, rate)
    except ValueError as error:
        raise ValueError(f"path: {path.name!r} was read, but {error}") from None


def save(clip: Clip, path, subtype: str | None = None) -> Path:
    """Write a clip to a file, whole or not at all.

    The samples go to a new file beside the target, which is then renamed over it: an existing file is either the old
    one or the finished new one, never a part.

    Parameters
    ----------
    clip : Clip
    path : str or path-like
        The suffix chooses the format: ``.wav`` or ``.flac``.
    subtype : str, optional
        ``"FLOAT"`` or ``"DOUBLE"`` (WAV), ``"PCM_U8"`` (WAV), ``"PCM_S8"`` (FLAC), ``"PCM_16"``, ``"PCM_24"``, ``"PCM_32"``
        (WAV). Default: 32-bit float for WAV, 24-bit PCM for FLAC.

    Returns
    -------
    Path
        Where it was written.

    Raises
    ------
    ValueError
        If the suffix or subtype can't be written, or PCM could not hold the peaks: the message gives the gain that fits.

    Notes
    -----
    Explained in ``09_your_own_vocal``.
    """
    path = Path(path)
    kind = _WRITABLE.get(path.suffix.lower())
    if kind is None:
        raise ValueError(f"path: suffix {path.suffix!r} can't be written; give one of {', '.join(sorted(_WRITABLE))}.")
    subtype = _DEFAULT_SUBTYPE[kind] if subtype is None else str(subtype).upper()
    allowed = [s for s in (*_INTEGER_BITS, *_FLOAT_SUBTYPES) if soundfile.check_format(kind, s)]
    if subtype not in allowed:
        raise ValueError(f"subtype: {subtype!r} can't be written to {path.suffix}; give one of {', '.join(allowed)}.")
    samples = clip.samples
    if subtype in _INTEGER_BITS:
        # The largest code of a two's-complement word is one step short of full scale.
        ceiling = 1.0 - 2.0 ** (1 - _INTEGER_BITS[subtype])
        peak = float(np.abs(clip.samples).max())
        if float(clip.samples.max()) > ceiling + 2.0 ** -_INTEGER_BITS[subtype] or float(clip.samples.min()) < -1.0:
            fits = math.floor(200.0 * math.log10(ceiling / peak)) / 10.0
            raise ValueError(
                f"clip: its peak of {20 * math.log10(peak):+.2f} dBFS would clip in {subtype}; "
                f"turn it down by {-fits:.1f} dB with clip.gained({fits:.1f}), or save as FLOAT to .wav."
            )
        # libsndfile cuts off what is under a step, which shifts everything by half a step: round to steps here.
        steps = 2.0 ** (_INTEGER_BITS[subtype] - 1)
        samples = np.rint(samples * steps) / steps
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, beside = tempfile.mkstemp(prefix=f".{path.stem[:40]}-", suffix=path.suffix, dir=path.parent)
    os.close(handle)
    try:
        soundfile.write(beside, samples, clip.rate, subtype=subtype, format=kind)
        _give_usual_mode(beside)
        os.replace(beside, path)
    except BaseException as error:
        if os.path.exists(beside):
            os.unlink(beside)
        if isinstance(error, soundfile.LibsndfileError):
            raise ValueError(f"path: {path.name!r} can't be written ({error.error_string.strip().rstrip('.')}).") from None
        raise
    return path


def encode(clip: Clip, kind: str = "FLAC", subtype: str = "PCM_16") -> bytes:
    """A clip as the bytes of a sound file, for a player in a page.

    Samples beyond full scale would clip: scale the clip first.
    """
    buffer = io.BytesIO()
    soundfile.write(buffer, clip.samples, clip.rate, format=kind, subtype=subtype)
    return buffer.getvalue()


def _give_usual_mode(path) -> None:
    """mkstemp makes files only their owner may read; give the mode that an ordinary open() would."""
    mask = os.umask(0)
    os.umask(mask)
    os.chmod(path, 0o666 & ~mask)
