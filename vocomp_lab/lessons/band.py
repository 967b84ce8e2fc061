"""The band that goes with a voice: the workbook's or a backing track of one's own, and the balance that was set by ear.

This is the one place that says what a voice is heard against. Beside the sheets of a voice (:mod:`vocomp_lab.lessons.course`)
lie ``band.json`` and one file for each backing track that was loaded with it. Every bench can play them; lesson 09 loads them.
"""

from __future__ import annotations

import hashlib
import json
import math
import weakref
from fractions import Fraction
from pathlib import Path

import numpy as np
from scipy.signal import resample_poly

from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.lessons.unkept import keeping, not_kept
from vocomp_lab.singer.song import DATA_FOLDER
from vocomp_lab.sound.audio import Clip, Origin, SoundReader, load, save
from vocomp_lab.sound.checks import check_number
from vocomp_lab.sound.files import write_whole

LOWEST_LU, HIGHEST_LU, STEP_LU = -12.0, 12.0, 0.5
"""The balances that can be set: how much louder than the band the voice is."""
FIRST_BALANCE_LU = 2.0
"""Where the balance stands until somebody sets it: the words are easy to follow. Common practice, no source."""
LONGEST_SHIFT_S = 1_200.0
WORKBOOKS, VERSE_BAND = "the workbook's band", "backing"
"""What the workbook's band is called, and the name of the file that both its verses are sung to."""
_SHEET = "band.json"
_DIGEST_LENGTH = 10
STEREO = 2
"""The most channels of a voice that is heard with a band, and of a band."""
_PEAK = 0.99
_FINEST = 2_000  # resampling by a ratio of larger numbers takes filters of many seconds

_open: "weakref.WeakValueDictionary[tuple, Band]" = weakref.WeakValueDictionary()


class Band:
    """What a voice is heard against, and how. Made by :func:`band_of` and :func:`take_backing`.

    Parameters
    ----------
    voice : Clip
        As recorded.
    folder : Path
        Where that voice's sheets are kept.
    path : Path
        The sound file of the band.
    name : str
        What it is called.
    own : str, optional
        For a backing track of the student's own, the name that the sheet knows it by.

    Attributes
    ----------
    name : str
    is_own : bool
        Whether it is the student's own, which can be moved against the voice.
    trouble : str
        Why balance or place, as set last, could not be kept, in one sentence; empty where they were.
    """

    def __init__(self, voice: Clip, folder: Path, path: Path, name: str, own: str | None = None):
        self._voice = voice.coming_from(None)  # or the two would hold each other
        self._folder, self._path, self._own = folder, path, own
        self.name, self.is_own = name, own is not None
        self.trouble = ""
        self._clip: Clip | None = None
        self._levels: dict[str, float] = {}
        self._aligned: tuple[float, Clip, float] | None = None
        self._watching: list[weakref.WeakMethod] = []
        self._balance_lu, self._shift_s = self._kept()

    def _kept(self) -> tuple[float, float]:
        sheet = _read(self._folder)
        return sheet["balance_lu"], sheet["backings"].get(self._own, {}).get("shift_s", 0.0)

    def read_again(self) -> None:
        """Take over what another page has kept meanwhile."""
        before, kept = (self._balance_lu, self._shift_s), self._kept()
        self._balance_lu, self._shift_s = kept
        if kept != before:
            self._tell()

    @property
    def balance_lu(self) -> float:
        """How much louder than the band the voice is, in LU. Setting it keeps it for this voice, in all lessons."""
        return self._balance_lu

    @balance_lu.setter
    def balance_lu(self, value: float):
        value = check_number("balance_lu", value, LOWEST_LU, HIGHEST_LU, "LU")
        if value != self._balance_lu:
            self._balance_lu = value
            self._keep(balance_lu=value)

    @property
    def shift_s(self) -> float:
        """When in the voice's time the band begins, in seconds; negative if it begins before the voice. Setting it keeps it."""
        return self._shift_s

    @shift_s.setter
    def shift_s(self, value: float):
        value = check_number("shift_s", value, -LONGEST_SHIFT_S, LONGEST_SHIFT_S, "s")
        if not self.is_own:
            raise ValueError(
                "shift_s: the workbook's band lies in time with its singers; only a backing of your own can move."
            )
        if value != self._shift_s:
            self._shift_s = value
            known = _read(self._folder)["backings"].get(self._own, {"name": self.name})
            self._keep(backing=(self._own, known | {"shift_s": value}))

    def _keep(self, **changed):
        """Keep what was set. Where that is not possible, it holds for this page, and ``trouble`` says so."""
        try:
            _keep(self._folder, **changed)
            self.trouble = ""
        except OSError as error:
            told = not_kept(error, self._folder / _SHEET)
            self.trouble = f"What you set for the band holds until the kernel stops. {told}"
        self._tell()

    @property
    def clip(self) -> Clip:
        """All of the band, at the voice's rate, mono or stereo."""
        if self._clip is None:
            self._clip = load(self._path)
        return self._clip

    @property
    def backing(self) -> Clip:
        """The band under the voice: moved into place, and cut or filled up with silence to the voice's length."""
        return self._in_place()[1]

    @property
    def loudness_lufs(self) -> float:
        """Integrated loudness of what lies under the voice; −inf where that is silent."""
        return self._in_place()[2]

    @property
    def whole_lufs(self) -> float:
        """Integrated loudness of all of the band, wherever it lies."""
        return self._level("band", lambda: self.clip)

    def whole_over_stretch_lu(self, first_frame: int, frames: int) -> float:
        """How much louder the whole voice was recorded than a stretch of it, in LU; 0 where the stretch is silent.

        By it a stretch keeps the balance that it has in the whole: a soft verse lies deeper in the band than the chorus.
        """
        if (first_frame, frames) == (0, self._voice.frames):
            return 0.0
        stretch = self._voice.with_samples(self._voice.samples[first_frame : first_frame + frames])
        over_lu = self._level("voice", lambda: self._voice) - integrated_lufs(stretch)
        return over_lu if math.isfinite(over_lu) else 0.0

    def _level(self, what: str, clip) -> float:
        if what not in self._levels:
            self._levels[what] = integrated_lufs(clip())
        return self._levels[what]

    def _in_place(self) -> tuple[float, Clip, float]:
        if self._aligned is None or self._aligned[0] != self._shift_s:
            whole, backing = self.clip, None
            rate, frames = self._voice.rate, self._voice.frames
            channels = max(whole.channels, self._voice.channels)
            first = round(self._shift_s * rate)
            if first == 0 and (whole.frames, whole.channels) == (frames, channels):
                backing = whole
            else:
                samples = np.zeros((frames, channels))
                start, end = max(first, 0), min(first + whole.frames, frames)
                if end > start:
                    samples[start:end] = whole.columns[start - first : end - first]
                backing = Clip(samples[:, 0] if channels == 1 else samples, rate)
            loudness_lufs = self.whole_lufs if backing is whole else integrated_lufs(backing)
            self._aligned = (self._shift_s, backing, loudness_lufs)
        return self._aligned

    def watch(self, answer) -> None:
        """Call a method without arguments whenever balance or place have been set, for as long as its object lives."""
        self._watching.append(weakref.WeakMethod(answer))

    def _tell(self):
        self._watching = [method for method in self._watching if method() is not None]
        for method in list(self._watching):
            answer = method()
            if answer is not None:
                answer()


def band_of(voice: Clip, folder: Path, truth: dict | None) -> Band | None:
    """The band to a voice: the one that was loaded with it, else the workbook's for one of its own takes, else None.

    Parameters
    ----------
    voice : Clip
        As recorded.
    folder : Path
        Where that voice's sheets are kept.
    truth : dict or None
        What is known of a take that comes with the workbook, and with it which band it was sung to.

    Notes
    -----
    As long as anything uses it, the same voice has the same band: its benches then share one balance and one sound.
    """
    if voice.channels > STEREO:
        return None
    sheet = _read(folder)
    own = sheet["playing"]
    path = folder / f"backing_{own}.flac"
    if own is not None and path.is_file():
        return _opened(voice, folder, path, str(sheet["backings"].get(own, {}).get("name", path.name)), own)
    if truth is not None:
        path = DATA_FOLDER / f"{truth.get('backing', VERSE_BAND)}.flac"
        if path.is_file() and _fits(path, voice):
            return _opened(voice, folder, path, WORKBOOKS, None)
    return None


def take_backing(voice: Clip, folder: Path, backing: Clip, name: str) -> Band:
    """Keep a backing track with a voice, so that every lesson finds it.

    Parameters
    ----------
    voice : Clip
        As recorded, mono or stereo.
    folder : Path
        Where that voice's sheets are kept.
    backing : Clip
        Mono or stereo, at any rate and of any length.
    name : str
        What it is called.

    Returns
    -------
    Band
        In the place that it had when it was loaded before, else beginning with the voice.

    Raises
    ------
    ValueError
        If one has more than two channels, or nothing is to be heard in the backing. Nothing is kept then.
    NotKept
        If it can't be written.

    Notes
    -----
    Backing tracks that were loaded before stay in the folder, each with its place.
    """
    for what, clip in (("voice", voice), ("backing", backing)):
        if clip.channels > STEREO:
            raise ValueError(f"backing: the {what} has {clip.channels} channels; give a mono or stereo file.")
    if not math.isfinite(integrated_lufs(backing)):
        raise ValueError("backing: this file is silent or shorter than 0.4 s; give the band's track.")
    backing = at_rate(backing, voice.rate)
    peak = float(np.abs(backing.samples).max())
    # How loud the file is says nothing: the balance sets that.
    backing = backing.with_samples(backing.samples * (_PEAK / peak)) if peak > _PEAK else backing
    own = hashlib.sha256(backing.samples.tobytes()).hexdigest()[:_DIGEST_LENGTH]
    path = folder / f"backing_{own}.flac"
    before = _read(folder)["backings"].get(own, {"shift_s": 0.0})
    with keeping(path):
        if not path.is_file():
            save(backing, path)
        _keep(folder, backing=(own, before | {"name": name}), playing=own)
    return _opened(voice, folder, path, name, own)


def leave_backing(folder: Path) -> None:
    """Go on without the backing track that was loaded with a voice. Its file and place stay, for when it is loaded again."""
    with keeping(folder / _SHEET):
        _keep(folder, playing=None)


def with_band(voice: Clip, band: Band | None) -> Clip:
    """The voice, knowing its band: so does all that is made of it, until time is cut out or added."""
    return voice.coming_from(None if band is None else Origin(band))


def band_behind(clip: Clip) -> tuple[Band, int] | None:
    """The band to a clip and the frame of the voice with which the clip begins; None for a clip that has no band."""
    origin = clip.origin
    return (origin.recording, origin.first_frame) if origin and isinstance(origin.recording, Band) else None


def at_rate(clip: Clip, rate: int) -> Clip:
    """A clip at another rate, in Hz: a polyphase filter, whose ratio is at most 2,000 to 2,000 and so within 1 in 4 million."""
    if clip.rate == rate:
        return clip
    ratio = Fraction(rate, clip.rate).limit_denominator(_FINEST)
    return Clip(resample_poly(clip.samples, ratio.numerator, ratio.denominator, axis=0), rate)


def _opened(voice, folder, path, name, own) -> Band:
    key = (str(folder.resolve()), own, voice.frames)
    band = _open.get(key)
    if band is None:
        band = _open[key] = Band(voice, folder, path, name, own)
    else:
        band.read_again()
    return band


def _fits(path: Path, voice: Clip) -> bool:
    with SoundReader(path) as reader:
        return (reader.rate, reader.claimed_frames) == (voice.rate, voice.frames)


def _read(folder: Path) -> dict:
    """What was kept; the first values where nothing was, or where it can't be read."""
    return _parsed(folder / _SHEET) or {"balance_lu": FIRST_BALANCE_LU, "playing": None, "backings": {}}


def _parsed(path: Path) -> dict | None:
    try:
        sheet = json.loads(path.read_text("utf-8"))
        for backing in sheet["backings"].values():
            check_number("shift_s", backing["shift_s"], -LONGEST_SHIFT_S, LONGEST_SHIFT_S, "s")
        balance_lu = check_number("balance_lu", sheet["balance_lu"], LOWEST_LU, HIGHEST_LU, "LU")
        return {"balance_lu": balance_lu, "playing": sheet["playing"], "backings": sheet["backings"]}
    except (OSError, ValueError, AttributeError, KeyError, TypeError):
        return None


def _keep(folder: Path, backing=None, **changed) -> None:
    """Write what has changed into the sheet, beside what others have kept meanwhile."""
    path, sheet = folder / _SHEET, _read(folder)
    if path.exists() and _parsed(path) is None:
        path.replace(path.with_name(f"{path.stem}_unread.json"))  # something in it may still be of use
    if backing is not None:
        sheet["backings"][backing[0]] = backing[1]
    write_whole(path, json.dumps(sheet | changed, indent=2, ensure_ascii=False) + "\n")
