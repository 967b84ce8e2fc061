"""Export: a take at a chosen loudness, as a sound file or as a service plays it, and texts. Nothing is overwritten unless
asked.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field
from pathlib import Path

from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.sound.audio import A_CLIP, Clip, save
from vocomp_lab.sound.checks import asks, check_number
from vocomp_lab.sound.files import is_taken, write_whole
from vocomp_lab.sound.levels import true_peak_dbtp
from vocomp_lab.sound.text import decibels

HIGHEST_TRUE_PEAK_DBTP = -1.0
"""EBU R 128 (value from memory)."""


@dataclass(frozen=True)
class Played:
    """A clip brought to a loudness by gain alone. Made by :func:`as_played`.

    Attributes
    ----------
    clip : Clip
    gain_db : float
        What it was turned up by.
    loudness_lufs, true_peak_dbtp : float
        After that.
    short_by_lu : float
        How far the peaks kept it below the requested loudness; 0 if they didn't.
    """

    clip: Clip = field(repr=False)
    gain_db: float
    loudness_lufs: float
    true_peak_dbtp: float
    short_by_lu: float = 0.0

    @property
    def peak_to_loudness_ratio_db(self) -> float:
        """True peak minus loudness: no gain changes it. EBU Tech 3343 names it PLR (value from memory)."""
        return self.true_peak_dbtp - self.loudness_lufs


@asks(clip=A_CLIP)
def as_played(
    clip: Clip, loudness_lufs: float | None = -14.0, highest_true_peak_dbtp: float = HIGHEST_TRUE_PEAK_DBTP
) -> Played:
    """Bring a clip to a loudness, as a service does that plays all songs equally loud.

    Parameters
    ----------
    clip : Clip
    loudness_lufs : float, optional
        Integrated loudness, −70 to 0 LUFS. −14 is common practice, no source: services differ, and change. None leaves
        it as it is, if the peaks allow it.
    highest_true_peak_dbtp : float
        −60 to 0 dBTP. If the peaks would exceed it, the whole clip gets less gain: nothing is limited.

    Returns
    -------
    Played

    Raises
    ------
    ValueError
        If a setting is not allowed.

    Notes
    -----
    Loudness and true peak: ITU-R BS.1770-5; −1 dBTP: EBU R 128 (value from memory).
    """
    ceiling = check_number("highest_true_peak_dbtp", highest_true_peak_dbtp, -60, 0, "dBTP")
    loud, peak = integrated_lufs(clip), true_peak_dbtp(clip)
    target_db = 0.0
    if loudness_lufs is not None:
        target = check_number("loudness_lufs", loudness_lufs, -70, 0, "LUFS")
        target_db = target - loud if math.isfinite(loud) else 0.0
    # Rounded down, so that the peak stays below the ceiling and not a hair over it.
    gain_db = min(target_db, math.floor(100 * (ceiling - peak)) / 100) if math.isfinite(peak) else 0.0
    return Played(clip.gained(gain_db), gain_db, loud + gain_db, peak + gain_db, target_db - gain_db)


@dataclass(frozen=True)
class Exported:
    """How a clip was written to a file.

    Attributes
    ----------
    path : Path
    gain_db : float
        What the clip was turned up by.
    loudness_lufs, true_peak_dbtp : float
        Of the file.
    short_by_lu : float
        How far the peaks kept the file below the requested loudness; 0 if they didn't.
    """

    path: Path
    gain_db: float
    loudness_lufs: float
    true_peak_dbtp: float
    short_by_lu: float = 0.0

    def __str__(self):
        text = (
            f"{self.path.name}: {decibels(self.loudness_lufs)} LUFS, {decibels(self.true_peak_dbtp)} dBTP, "
            f"after a gain of {decibels(self.gain_db, sign=True)} dB"
        )
        if self.short_by_lu:
            text += f"; the peaks kept it {decibels(self.short_by_lu)} LU below the requested loudness"
        return text


def export(
    clip: Clip,
    path,
    loudness_lufs: float | None = None,
    highest_true_peak_dbtp: float = HIGHEST_TRUE_PEAK_DBTP,
    *,
    subtype: str = "PCM_24",
    overwrite: bool = False,
) -> Exported:
    """Write a clip to a sound file at a chosen loudness, without clipping.

    Parameters
    ----------
    clip : Clip
    path : str or path-like
        Ends in ``.wav`` or ``.flac``.
    loudness_lufs : float, optional
        Integrated loudness to bring it to, −70 to 0 LUFS; left as it is by default.
    highest_true_peak_dbtp : float
        −60 to 0 dBTP. If the peaks would exceed it, the whole clip gets less gain: nothing is limited.
    subtype : str
        As :func:`vocomp_lab.save` takes it; 24-bit by default.
    overwrite : bool
        Whether a file of this name may be replaced.

    Returns
    -------
    Exported

    Raises
    ------
    FileExistsError
        If there is such a file and `overwrite` is false.
    ValueError
        If a setting is not allowed.

    Notes
    -----
    Measured and turned up or down by :func:`as_played`. The file is written under another name and renamed when it is
    whole.
    """
    path = check_free(path, overwrite)
    played = as_played(clip, loudness_lufs, highest_true_peak_dbtp)
    save(played.clip, path, subtype)
    return Exported(path, played.gain_db, played.loudness_lufs, played.true_peak_dbtp, played.short_by_lu)


def write_text(text: str, path, *, overwrite: bool = False) -> Path:
    """Write a text such as a settings sheet, whole or not at all.

    Parameters
    ----------
    text : str
    path : str or path-like
    overwrite : bool
        Whether a file of this name may be replaced.

    Returns
    -------
    Path

    Raises
    ------
    FileExistsError
        If there is such a file and `overwrite` is false.
    """
    return write_whole(check_free(path, overwrite), text, overwrite)


def fresh_folder(path) -> Path:
    """Make a new folder of this name; if the name is taken, the next free number is added to it."""
    path = Path(path)
    names = itertools.chain([path], (path.with_name(f"{path.name}_{number}") for number in itertools.count(2)))
    for name in names:
        try:
            name.mkdir(parents=True)
            return name
        except FileExistsError:
            continue


def check_free(path, overwrite: bool) -> Path:
    """`path` as a Path if it is free or may be replaced; else a FileExistsError in one sentence."""
    path = Path(path)
    if path.is_dir():
        raise FileExistsError(f"path: {path.name!r} is a folder; give the name of a file.")
    if is_taken(path) and not overwrite:
        raise FileExistsError(f"path: a file {path.name!r} exists already; give another name, or overwrite=True.")
    return path
