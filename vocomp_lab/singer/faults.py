"""What goes wrong when a voice is recorded. Each fault carries its numbers, so a lesson can ask for them and check the
answer.

Every fault is a frozen dataclass with one method, ``apply(clip)``. :func:`choose_faults` draws a whole set for a
performance from one seed.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass

import numpy as np
from scipy.signal import butter, sosfilt

from vocomp_lab.processors.filters import Peaking
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.checks import Settings, check_below_nyquist, check_number, check_whole
from vocomp_lab.sound.levels import db_to_amplitude, rms_dbfs
from vocomp_lab.sound.seeded import stream

SIBILANTS = ("s", "sh", "z")
POPPING = ("p", "b")
_FADE_S = 0.025


class Fault(Settings):
    """What all faults share: a kind, checked numbers and an ``apply``."""

    kind = ""

    def apply(self, clip: Clip) -> Clip:
        """The clip with the fault, of the same length."""
        return clip.with_samples((clip.columns + self._added(clip)).reshape(clip.samples.shape))

    def to_dict(self) -> dict:
        """The fault's numbers as plain JSON values."""
        return {name: _plain(value) for name, value in asdict(self).items()}


class _GainFault(Fault):
    """A fault that only turns the level up and down."""

    def gain_curve_db(self, clip: Clip) -> np.ndarray:
        """Gain in dB at every frame, shape (frames,)."""
        return self.gain_db * spans_mask(clip, self._spans(), _FADE_S)

    def apply(self, clip: Clip) -> Clip:
        gain = db_to_amplitude(self.gain_curve_db(clip))
        return clip.with_samples((clip.columns * gain[:, None]).reshape(clip.samples.shape))


class _OneSpan(_GainFault):
    """A fault of level from `start_s` to `end_s`."""

    def __post_init__(self):
        self._keep(gain_db=check_number("gain_db", self.gain_db, -24, 24, "dB"), **_checked_span(self))

    def _spans(self):
        return ((self.start_s, self.end_s),)


def spans_mask(clip: Clip, spans, fade_s: float) -> np.ndarray:
    """1 inside the spans and 0 outside, with half-cosine edges of `fade_s` centred on each border, shape (frames,)."""
    times = clip.times_s()
    mask = np.zeros(clip.frames)
    for start, end in spans:
        low, high = np.searchsorted(times, (start - fade_s, end + fade_s))
        inside = times[low:high]
        edge = np.minimum((inside - start) / fade_s, (end - inside) / fade_s) + 0.5
        mask[low:high] = np.maximum(mask[low:high], 0.5 - 0.5 * np.cos(np.pi * np.clip(edge, 0.0, 1.0)))
    return mask


@dataclass(frozen=True)
class LoudWord(_OneSpan):
    """One word louder than the rest: word number `word` of the truth, from `start_s` to `end_s`."""

    kind = "loud_word"
    word: int
    text: str
    start_s: float
    end_s: float
    gain_db: float


@dataclass(frozen=True)
class QuietPhrase(_OneSpan):
    """One phrase softer than the rest; `gain_db` is negative."""

    kind = "quiet_phrase"
    phrase: int
    text: str
    start_s: float
    end_s: float
    gain_db: float


@dataclass(frozen=True)
class LoudBreaths(_GainFault):
    """Breaths that are `gain_db` louder than taken; `spans` are (start, end) in seconds."""

    kind = "loud_breaths"
    spans: tuple[tuple[float, float], ...]
    gain_db: float

    def __post_init__(self):
        self._keep(gain_db=check_number("gain_db", self.gain_db, -24, 24, "dB"), spans=_checked_spans(self.spans))

    def _spans(self):
        return self.spans


@dataclass(frozen=True)
class HardOnsets(_GainFault):
    """Words that begin with a knock: `gain_db` more for `length_ms` from each time, then gone within twice that."""

    kind = "hard_onsets"
    times_s: tuple[float, ...]
    gain_db: float
    length_ms: float

    def __post_init__(self):
        self._keep(
            times_s=tuple(check_number("times_s", t, 0, 3600, "s") for t in self.times_s),
            gain_db=check_number("gain_db", self.gain_db, -24, 24, "dB"),
            length_ms=check_number("length_ms", self.length_ms, 1, 500, "ms"),
        )

    def gain_curve_db(self, clip: Clip) -> np.ndarray:
        times, length = clip.times_s(), self.length_ms / 1000.0
        curve = np.zeros(clip.frames)
        for start in self.times_s:
            # Elsewhere it is 0.
            near = slice(*np.searchsorted(times, (start - 0.002, start + 2.0 * length + 0.001)))
            since = times[near] - start
            rise = np.clip(since / 0.001 + 1.0, 0.0, 1.0)
            fall = 0.5 + 0.5 * np.cos(np.pi * np.clip((since - length) / length, 0.0, 1.0))
            curve[near] = np.maximum(curve[near], rise * fall)
        return self.gain_db * curve


@dataclass(frozen=True)
class Sibilance(Fault):
    """Sharp s sounds: a bell of `gain_db` at `freq_hz` while they last."""

    kind = "sibilance"
    spans: tuple[tuple[float, float], ...]
    freq_hz: float
    gain_db: float
    q: float

    def __post_init__(self):
        self._keep(spans=_checked_spans(self.spans), **asdict(Peaking(self.freq_hz, self.gain_db, self.q)))

    def _added(self, clip):
        boosted = Peaking(self.freq_hz, self.gain_db, self.q).apply(clip).columns
        return (boosted - clip.columns) * spans_mask(clip, self.spans, 0.012)[:, None]


@dataclass(frozen=True)
class Distance(Fault):
    """A singer who moves to and from the microphone: the level follows `gains_db` at `times_s` smoothly, and so does
    the bass.

    The nearer a directional microphone, the more bass ("proximity effect"): below about `bass_hz` the gain changes by
    a further `bass_ratio` times as many decibels. Common practice, no source.
    """

    kind = "distance"
    times_s: tuple[float, ...]
    gains_db: tuple[float, ...]
    bass_hz: float = 180.0
    bass_ratio: float = 0.8

    def __post_init__(self):
        self._keep(
            times_s=tuple(check_number("times_s", t, 0, 3600, "s") for t in self.times_s),
            gains_db=tuple(check_number("gains_db", g, -24, 24, "dB") for g in self.gains_db),
            bass_hz=check_number("bass_hz", self.bass_hz, 20, 1000, "Hz"),
            bass_ratio=check_number("bass_ratio", self.bass_ratio, 0, 3),
        )
        if len(self.times_s) != len(self.gains_db) or len(self.times_s) < 2 or np.any(np.diff(self.times_s) <= 0):
            raise ValueError("times_s: give at least two rising times, and one gain in gains_db for each.")

    def gain_curve_db(self, clip: Clip) -> np.ndarray:
        """Gain in dB at every frame, shape (frames,)."""
        place = np.interp(clip.times_s(), self.times_s, np.arange(len(self.times_s)))
        below = np.minimum(place.astype(int), len(self.times_s) - 2)
        share = 0.5 - 0.5 * np.cos(np.pi * (place - below))
        gains = np.array(self.gains_db)
        return gains[below] + share * (gains[below + 1] - gains[below])

    def apply(self, clip: Clip) -> Clip:
        curve = self.gain_curve_db(clip)[:, None]
        bass = sosfilt(butter(1, self.bass_hz, fs=clip.rate, output="sos"), clip.columns, axis=0)
        moved = db_to_amplitude(curve) * (clip.columns + (db_to_amplitude(self.bass_ratio * curve) - 1.0) * bass)
        return clip.with_samples(moved.reshape(clip.samples.shape))


@dataclass(frozen=True)
class Boxiness(Fault):
    """A resonance of the room or the microphone: a bell of `gain_db` at `freq_hz` throughout."""

    kind = "boxiness"
    freq_hz: float
    gain_db: float
    q: float

    def __post_init__(self):
        self._keep(**asdict(Peaking(self.freq_hz, self.gain_db, self.q)))

    def apply(self, clip: Clip) -> Clip:
        return Peaking(self.freq_hz, self.gain_db, self.q).apply(clip)


@dataclass(frozen=True)
class Pops(Fault):
    """Plosives whose breath hits the microphone: a thump below 120 Hz at each time, with a frequency and peak level."""

    kind = "pops"
    times_s: tuple[float, ...]
    freqs_hz: tuple[float, ...]
    peaks_dbfs: tuple[float, ...]

    def __post_init__(self):
        self._keep(
            times_s=tuple(check_number("times_s", t, 0, 3600, "s") for t in self.times_s),
            freqs_hz=tuple(check_number("freqs_hz", f, 10, 80, "Hz") for f in self.freqs_hz),
            peaks_dbfs=tuple(check_number("peaks_dbfs", p, -80, 0, "dBFS") for p in self.peaks_dbfs),
        )
        if not len(self.times_s) == len(self.freqs_hz) == len(self.peaks_dbfs):
            raise ValueError("freqs_hz: give one frequency and one peak level for each of times_s.")

    def _added(self, clip):
        thumps = np.zeros(clip.frames)
        lowpass = butter(4, 105.0, fs=clip.rate, output="sos")
        length = int(0.35 * clip.rate)
        t = np.arange(length) / clip.rate
        for start, freq, peak in zip(self.times_s, self.freqs_hz, self.peaks_dbfs):
            thump = np.minimum(t / 0.008, 1.0) * np.exp(-t / 0.045) * np.sin(2.0 * np.pi * freq * t)
            thump = sosfilt(lowpass, thump)
            thump *= db_to_amplitude(peak) / np.abs(thump).max()
            first = int(round(start * clip.rate))
            part = thumps[first : first + length]
            part += thump[: len(part)]
        return thumps[:, None]


@dataclass(frozen=True)
class Rumble(Fault):
    """Traffic and footsteps through the stand: noise from `low_hz` to `high_hz` at an RMS level."""

    kind = "rumble"
    low_hz: float
    high_hz: float
    level_dbfs: float
    seed: int

    def __post_init__(self):
        self._keep(
            low_hz=check_number("low_hz", self.low_hz, 5, 500, "Hz"),
            high_hz=check_number("high_hz", self.high_hz, 6, 1000, "Hz"),
            level_dbfs=check_number("level_dbfs", self.level_dbfs, -140, 0, "dBFS"),
            seed=check_whole("seed", self.seed, 0, 2**31 - 1),
        )
        if self.high_hz <= self.low_hz:
            raise ValueError(
                f"high_hz: {self.high_hz:g} Hz is not allowed; give a frequency above low_hz, {self.low_hz:g} Hz."
            )

    def _added(self, clip):
        band = butter(4, (self.low_hz, self.high_hz), "bandpass", fs=clip.rate, output="sos")
        # The filter takes a while to settle, so it starts half a second early.
        lead = clip.rate // 2
        noise = sosfilt(band, stream(self.seed, "rumble").standard_normal(clip.frames + lead))[lead:]
        return (noise * (db_to_amplitude(self.level_dbfs) / np.sqrt(np.mean(noise**2))))[:, None]


@dataclass(frozen=True)
class Hum(Fault):
    """Mains hum: `freq_hz` and its multiples, one RMS level for each."""

    kind = "hum"
    freq_hz: float
    levels_dbfs: tuple[float, ...]

    def __post_init__(self):
        self._keep(
            freq_hz=check_number("freq_hz", self.freq_hz, 10, 500, "Hz"),
            levels_dbfs=tuple(check_number("levels_dbfs", level, -140, 0, "dBFS") for level in self.levels_dbfs),
        )

    def _added(self, clip):
        check_below_nyquist("freq_hz", self.freq_hz * len(self.levels_dbfs), clip.rate)
        turn = 2.0 * np.pi * self.freq_hz * clip.times_s()
        waves = (
            np.sqrt(2.0) * db_to_amplitude(level) * np.sin(k * turn + 1.7 * k)
            for k, level in enumerate(self.levels_dbfs, 1)
        )
        return sum(waves)[:, None]


@dataclass(frozen=True)
class Hiss(Fault):
    """The noise of the preamplifier: white, at an RMS level."""

    kind = "hiss"
    level_dbfs: float
    seed: int

    def __post_init__(self):
        self._keep(
            level_dbfs=check_number("level_dbfs", self.level_dbfs, -140, 0, "dBFS"),
            seed=check_whole("seed", self.seed, 0, 2**31 - 1),
        )

    def _added(self, clip):
        return db_to_amplitude(self.level_dbfs) * stream(self.seed, "hiss").standard_normal((clip.frames, 1))


def choose_faults(clip: Clip, truth: dict, seed: int) -> tuple[tuple[Fault, ...], tuple[Fault, ...]]:
    """Draw a set of faults that fits a performance.

    Parameters
    ----------
    clip, truth : Clip, dict
        A clean performance and its truth, as :func:`vocomp_lab.singer.voice.sing` gives them.
    seed : int
        Which word, which phrase, which frequencies.

    Returns
    -------
    of_voice, of_recording : tuple of Fault
        In the order to apply them: what scales with the voice (before the level is set), then what has its own level.
    """
    rng = stream(seed, "faults")
    words, phrases = truth["words"], truth["phrases"]

    def stepped(low, high, step):
        return round(low + step * rng.randint(int(round((high - low) / step)) + 1), 6)

    quiet = rng.randint(len(phrases))
    # A naturally soft word would only be brought up to the others, a short one would barely be heard, and two
    # faults on one word would hide each other.
    levels = np.array([rms_dbfs(clip.cut(word["start_s"], word["end_s"])) for word in words])
    # A word with a hard start, or a shorter one, will do where nothing else is there, as in quick or loud singing.
    candidates = next(
        found
        for soft, least_s in ((True, 0.28), (True, 0.2), (False, 0.2), (False, 0.0))
        if (
            found := [
                index
                for phrase in range(len(phrases))
                if phrase != quiet
                for index in range(phrases[phrase]["words"][0] + 1, phrases[phrase]["words"][1] - 1)
                if not (soft and words[index]["hard_onset"])
                and words[index]["end_s"] - words[index]["start_s"] > least_s
                and levels[index] > np.median(levels)
            ]
        )
    )
    loud = words[candidates[rng.randint(len(candidates))]]
    phones = [phone for word in words for phone in word["phones"]]
    sharp = tuple((p["start_s"], p["end_s"]) for p in phones if p["phone"] in SIBILANTS)
    popping = [
        (p["release_s"], p["phone"])
        for word in words
        for p, after in zip(word["phones"], word["phones"][1:])
        if p["phone"] in POPPING and after["kind"] in ("vowel", "approximant")
    ]
    hard = tuple(word["phones"][0].get("release_s", word["start_s"]) for word in words if word["hard_onset"])
    count = 2 + int(np.ceil(truth["duration_s"] / 2.2))
    drift = 0.8 * np.clip(rng.standard_normal(count), -1.5, 1.5)
    drift -= drift.mean()
    of_voice = (
        LoudWord(words.index(loud), loud["text"], loud["start_s"], loud["end_s"], stepped(6, 8, 0.5)),
        QuietPhrase(
            int(quiet), phrases[quiet]["text"], phrases[quiet]["start_s"], phrases[quiet]["end_s"], -stepped(5, 7, 0.5)
        ),
        HardOnsets(hard, stepped(4, 6, 0.5), stepped(20, 35, 5)),
        LoudBreaths(tuple(map(tuple, truth["breaths"])), stepped(8, 12, 1)),
        Sibilance(sharp, stepped(6200, 7800, 100), stepped(6.5, 9.5, 0.5), stepped(1.2, 2.0, 0.2)),
        Distance(
            tuple(float(t) for t in np.round(np.linspace(0, truth["duration_s"], count), 3)),
            tuple(float(g) for g in np.round(drift, 2)),
        ),
        Boxiness(stepped(370, 450, 5), stepped(5, 7, 0.5), stepped(2.5, 4.0, 0.5)),
    )
    first_hum = stepped(-62, -56, 1)
    of_recording = (
        Pops(
            tuple(at for at, _ in popping),
            tuple(float(f) for f in np.round(32.0 + 26.0 * rng.random_sample(len(popping)), 1)),
            tuple(
                # A b has no puff of breath behind it, so it pops less than a p.
                round(float(-16.0 - 5.0 * part - (5.0 if phone == "b" else 0.0)), 1)
                for part, (_, phone) in zip(rng.random_sample(len(popping)), popping)
            ),
        ),
        Rumble(30.0, 60.0, stepped(-50, -44, 1), seed),
        Hum(50.0, tuple(first_hum + drop for drop in (0.0, -4.0, -3.0, -11.0, -9.0, -15.0))),
        Hiss(stepped(-70, -64, 1), seed),
    )
    return of_voice, of_recording


def _checked_span(fault) -> dict:
    start = check_number("start_s", fault.start_s, 0, 3600, "s")
    return {"start_s": start, "end_s": check_number("end_s", fault.end_s, start, 3600, "s", low_open=True)}


def _checked_spans(spans) -> tuple[tuple[float, float], ...]:
    out = []
    for start, end in spans:
        start = check_number("spans", start, 0, 3600, "s")
        out.append((start, check_number("spans", end, start, 3600, "s", low_open=True)))
    return tuple(out)


def _plain(value):
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    return value.item() if isinstance(value, np.generic) else value
