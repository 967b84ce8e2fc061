"""What a recording is like, in words and numbers: what was measured, whether it is fine, what to do, which lesson.

Limits are common practice, no source, unless a source is named beside them.
"""

from __future__ import annotations

import html
import math
from dataclasses import dataclass

import numpy as np

from vocomp_lab.analysis.level_prep import find_uneven
from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.lowend import LowEnd, find_pops, measure_low_end
from vocomp_lab.analysis.meters import active_mask, active_rms_dbfs, noise_floor_dbfs
from vocomp_lab.analysis.resonance import CANT_TELL, suspect_rings
from vocomp_lab.analysis.sibilants import SHARP_DB, measure_sibilance
from vocomp_lab.analysis.stretches import stretches
from vocomp_lab.analysis.words import find_phrases
from vocomp_lab.lessons.export import HIGHEST_TRUE_PEAK_DBTP
from vocomp_lab.lessons.proposals import LEAST_RING_DB, NEAR_ENOUGH_DB, VOICE_PEAK_DBFS, VOICE_RMS_DBFS
from vocomp_lab.lessons.tables import Html, table_html
from vocomp_lab.sound.audio import A_CLIP, Clip
from vocomp_lab.sound.checks import asks
from vocomp_lab.sound.levels import amplitude_to_db, crest_factor_db, power_to_db, sample_peak_dbfs, true_peak_dbtp
from vocomp_lab.sound.text import decibels

CLIPPED_RUN = 3
"""This many samples in a row at full scale count as clipped."""
QUIET_ROOM_DB = 40.0
EVEN_LU = 6.0
LARGEST_OFFSET_DBFS = -60.0
LARGEST_IMBALANCE_DB = 3.0
MAINS_HZ = (50.0, 60.0)
FULL_RATE = 32_000
"""Below this sample rate part of what is heard of an s is missing (common practice, no source)."""
_HUM_WINDOW_S, _HUM_MULTIPLES, _HUM_STANDS_OUT_DB = 0.3, np.arange(1, 7), 10.0
_SHORTEST_PHRASE_S = 0.8
_MOST_WORDS = 5
_NOTHING_DB = -100.0


VERDICTS = {True: "fine", False: "worth a look", None: CANT_TELL}
_SIGNS = {True: "✓", False: "▸", None: "–"}


@dataclass(frozen=True)
class Observation:
    """One measurement of a recording.

    Attributes
    ----------
    topic : str
        Such as "level" or "noise in the pauses".
    measured : str
        The finding with its numbers.
    fine : bool or None
        Whether it may stay as it is; None where that can't be told.
    advice : str
        What to do.
    lesson : str
        The number of the lesson that explains it, such as "03".
    value : float
        The number behind the verdict; NaN where there is none.
    """

    topic: str
    measured: str
    fine: bool | None
    advice: str
    lesson: str
    value: float = math.nan

    def __str__(self):
        return f"{VERDICTS[self.fine]} · {self.topic}: {self.measured}. {self.advice} (lesson {self.lesson})"


@dataclass(frozen=True)
class RecordingReport:
    """Everything that :func:`examine` measured of a recording.

    Attributes
    ----------
    heading : str
        Length, channels and sample rate.
    observations : tuple of Observation
    """

    heading: str
    observations: tuple[Observation, ...]

    def __getitem__(self, topic: str) -> Observation:
        """The observation on a topic."""
        return {observation.topic: observation for observation in self.observations}[topic]

    @property
    def topics(self) -> list[str]:
        """What was looked at, in order."""
        return [observation.topic for observation in self.observations]

    @property
    def worth_a_look(self) -> list[str]:
        """The topics that are not simply fine."""
        return [observation.topic for observation in self.observations if observation.fine is False]

    @property
    def summary(self) -> str:
        """How many things are fine, and which are worth a look, in one sentence."""
        told = [observation for observation in self.observations if observation.fine is not None]
        count, look = len(told), self.worth_a_look
        if not look:
            return f"All {count} things that were measured are fine."
        return f"{count - len(look)} of {count} measurements are fine. Worth a look: {', '.join(look)}."

    def __str__(self):
        return "\n".join([self.heading, self.summary, *map(str, self.observations)])

    def to_html(self) -> str:
        """The report as a table for a page."""
        rows = [
            [Html(f"<b>{_SIGNS[o.fine]} {VERDICTS[o.fine]}</b>"), o.topic, f"{o.measured}.", o.advice, o.lesson]
            for o in self.observations
        ]
        head = ("result", "what", "measured", "what to do", "lesson")
        table = table_html(rows, head, named_by=1, css_class="vocomp-report")
        return f"<p>{html.escape(self.heading)}. {html.escape(self.summary)}</p>{table}"

    def _repr_html_(self):
        cells = "table.vocomp-report td,table.vocomp-report th"
        style = f"{cells}{{text-align:left!important;vertical-align:top;white-space:normal}}"
        return f"<style>{style}</style>{self.to_html()}"


def in_short(clip: Clip) -> str:
    """Length, channels and sample rate, such as "20.9 s, mono, 44.1 kHz"."""
    kind = {1: "mono", 2: "stereo"}.get(clip.channels, f"{clip.channels} channels")
    return f"{clip.duration_s:.1f} s, {kind}, {clip.rate / 1000:g} kHz"


@asks(clip=A_CLIP)
def examine(clip: Clip) -> RecordingReport:
    """Measure what a recording is like before anything is done to it.

    Parameters
    ----------
    clip : Clip
        One voice, as recorded.

    Returns
    -------
    RecordingReport
        For silence it holds only what can be said about silence; an observation without a number has NaN as its value.

    Notes
    -----
    Levels and loudness: ITU-R BS.1770-5. All limits are common practice, no source, but that for the true peak (EBU R
    128, value from memory).
    """
    active = active_mask(clip)
    share = f"{100 * active.mean():.0f} %"
    heading = f"{in_short(clip)}; sung in {share} of the time"
    found = [_peaks(clip), _clipping(clip), _offset(clip)]
    if clip.channels > 1:
        found.append(_balance(clip))
    if active.any():
        low = measure_low_end(clip, active)
        found = [
            _level(clip, active),
            *found,
            _noise(clip, active),
            _low_end(low),
            _hum(clip, active),
            _pops(clip, low),
        ]
        found += [_rings(clip), _sharpness(clip, active), _evenness(clip), _words(clip)]
    else:
        found.insert(
            0, Observation("level", "nobody sings in this clip", False, "Check that this is the right file.", "01")
        )
    return RecordingReport(heading, tuple(found))


def _level(clip: Clip, active) -> Observation:
    rms, peak = active_rms_dbfs(clip, active), sample_peak_dbfs(clip)
    off_db = round(2 * min(VOICE_RMS_DBFS - rms, VOICE_PEAK_DBFS - peak)) / 2
    fine = abs(off_db) < NEAR_ENOUGH_DB
    measured = (
        f"{decibels(rms)} dBFS RMS while singing, {decibels(integrated_lufs(clip))} LUFS, peak {decibels(peak)} dBFS, "
        f"crest factor {decibels(crest_factor_db(clip, active))} dB"
    )
    where = "the level that thresholds are usually set for."
    advice = f"Close to {where}" if fine else f"A trim of {decibels(off_db, sign=True)} dB brings it to {where}"
    return Observation("level", measured, fine, advice, "01", off_db)


def _peaks(clip: Clip) -> Observation:
    true_peak = true_peak_dbtp(clip)
    fine = true_peak <= HIGHEST_TRUE_PEAK_DBTP
    advice = "There is headroom."
    if not fine:
        advice = "Turn it down before you export it; nothing clips in here. Next time, record at a lower level."
    return Observation("true peak", f"{decibels(true_peak)} dBTP", fine, advice, "01", true_peak)


def clipped_places(clip: Clip) -> list[float]:
    """Where the wave was cut off at full scale.

    Parameters
    ----------
    clip : Clip

    Returns
    -------
    list of float
        Start in seconds of every run of three samples or more, of any channel, that stand at full scale (within one and
        a half steps of 16 bits).
    """
    full = np.abs(clip.columns) >= 1.0 - 1.5 * 2.0**-15
    places = [starts[ends - starts >= CLIPPED_RUN] for starts, ends in (stretches(channel) for channel in full.T)]
    return [float(place) / clip.rate for place in np.unique(np.concatenate(places))]


def _clipping(clip: Clip) -> Observation:
    places = clipped_places(clip)
    if not places:
        return Observation("clipping", "no run of samples at full scale", True, "Nothing was cut off.", "01", 0.0)
    where = ", ".join(f"{place:.2f} s" for place in places[:3]) + (", …" if len(places) > 3 else "")
    advice = "Listen there. Clipped peaks don't come back: if you hear it, sing that line again; if not, leave it."
    return Observation(
        "clipping", f"{len(places)} places at full scale ({where})", False, advice, "01", float(len(places))
    )


def _offset(clip: Clip) -> Observation:
    offset = amplitude_to_db(float(np.abs(clip.columns.mean(axis=0)).max()))
    fine = offset < LARGEST_OFFSET_DBFS
    advice = "None to speak of." if fine else "Any low cut removes it; put it first in the chain."
    return Observation("DC offset", f"{decibels(offset)} dBFS", fine, advice, "03", offset)


def _balance(clip: Clip) -> Observation:
    levels = power_to_db(np.mean(np.square(clip.columns), axis=0), floor_db=-200.0)
    apart = float(levels.max() - levels.min())
    first, second = clip.columns[:, 0], clip.columns[:, 1]
    size = math.sqrt(float(first @ first) * float(second @ second))
    alike = float(first @ second) / size if size > 0 else 1.0
    measured = f"channels {decibels(apart)} dB apart, correlation {decibels(alike, 2, sign=True)}"
    if levels.min() <= -90 < levels.max():
        return Observation(
            "channels", measured, False, "One channel is silent: use the other one as a mono file.", "01", apart
        )
    if alike < -0.3:
        return Observation(
            "channels",
            measured,
            False,
            "They cancel each other: invert the polarity of one, or use only one.",
            "01",
            apart,
        )
    if apart > LARGEST_IMBALANCE_DB:
        return Observation(
            "channels",
            measured,
            False,
            "The voice sits to one side: use the better channel as a mono file.",
            "01",
            apart,
        )
    same = alike > 0.9999 and apart < 0.1
    advice = "Both are the same: a mono file would do." if same else "The voice sits in the middle."
    return Observation("channels", measured, True, advice, "01", apart)


def _noise(clip: Clip, active) -> Observation:
    floor = noise_floor_dbfs(clip, active)
    if math.isnan(floor):
        return Observation(
            "noise in the pauses",
            "there is no pause to measure it in",
            None,
            "Listen for it where the voice is softest.",
            "01",
        )
    if floor < -150:
        return Observation(
            "noise in the pauses",
            "digital silence",
            True,
            "A gate or an editor has been at work already.",
            "02",
            math.inf,
        )
    distance = active_rms_dbfs(clip, active) - floor
    fine = distance >= QUIET_ROOM_DB
    advice = (
        "The room is quiet enough. Make-up gain will lift it by the same amount."
        if fine
        else "Make-up gain lifts it by the same amount. Cut what lies below the voice first, and turn the longer pauses down "
        "with a gain region each."
    )
    return Observation(
        "noise in the pauses",
        f"{decibels(floor)} dBFS, {decibels(distance, 0)} dB below the voice",
        fine,
        advice,
        "02",
        distance,
    )


def _low_end(low: LowEnd) -> Observation:
    fine = not low.rumbles
    pitch = "" if low.pitch is None else f"; the lowest notes are near {low.pitch.low_hz:.0f} Hz"
    level = f"{decibels(-low.steady_db, 0)} dB below the voice all the time"
    steady = "nothing" if low.steady_db < _NOTHING_DB else level
    measured = f"below {low.below_hz:.0f} Hz: {steady}{pitch}"
    advice = (
        "It needs no low cut of its own." if fine else "Put a low cut before any compressor; lesson 09 proposes one."
    )
    return Observation("rumble", measured, fine, advice, "03", low.steady_db)


def hum_level(clip: Clip, active: np.ndarray) -> tuple[float, float]:
    """Mains hum in the pauses.

    Parameters
    ----------
    clip : Clip
    active : ndarray of bool, shape (frames,)
        Where somebody sings (:func:`vocomp_lab.analysis.meters.active_mask`).

    Returns
    -------
    freq_hz, level_dbfs : float
        50 or 60 Hz, whichever is stronger, and the RMS level of those of its first six multiples that stand out from what
        is beside them by 10 dB; NaN and −inf where fewer than two do, or no pause is as long as 0.3 s.

    Notes
    -----
    Hann-windowed spectra of 0.3 s, of which the median is taken line by line. Common practice, no source.
    """
    length = int(_HUM_WINDOW_S * clip.rate)
    starts, ends = stretches(~active)
    firsts = [first for a, b in zip(starts, ends) for first in range(a, b - length + 1, length // 2)]
    if not firsts:
        return math.nan, -math.inf
    mono = clip.columns.mean(axis=1)
    window = np.hanning(length)
    spectra = [np.abs(np.fft.rfft(mono[first : first + length] * window, 4 * length)) ** 2 for first in firsts[:400]]
    power = 2.0 * np.median(spectra, axis=0) / window.sum() ** 2
    line_hz = clip.rate / (4 * length)

    def around(freq_hz, low_hz, high_hz):
        offsets = np.arange(math.ceil(low_hz / line_hz), math.floor(high_hz / line_hz) + 1)
        return power[np.clip(np.rint(freq_hz / line_hz).astype(int) + offsets, 0, len(power) - 1)]

    best = (math.nan, -math.inf)
    for mains_hz in MAINS_HZ:
        lines = np.array([around(mains_hz * k, -1.0, 1.0).max() for k in _HUM_MULTIPLES])
        either_side = [
            [np.median(around(mains_hz * k, *side)) for side in ((-20.0, -9.0), (9.0, 20.0))] for k in _HUM_MULTIPLES
        ]
        beside = np.max(either_side, axis=1)
        out = power_to_db(lines, -300.0) > power_to_db(beside, -300.0) + _HUM_STANDS_OUT_DB
        level = power_to_db(float(lines[out].sum()))
        if out.sum() >= 2 and level > max(best[1], -110.0):
            best = (mains_hz, level)
    return best


def _hum(clip: Clip, active) -> Observation:
    freq_hz, level = hum_level(clip, active)
    if math.isnan(freq_hz):
        return Observation(
            "hum",
            "nothing at 50 or 60 Hz or their multiples stands out in the pauses",
            True,
            "None to speak of.",
            "03",
            level,
        )
    advice = (
        f"A low cut removes {freq_hz:.0f} Hz but not its multiples, which hide behind the voice and come up in the "
        "pauses. Find the cable or power supply that causes it before the next take."
    )
    return Observation(
        "hum", f"{freq_hz:.0f} Hz and multiples, {decibels(level)} dBFS in the pauses", False, advice, "03", level
    )


def _pops(clip: Clip, low: LowEnd) -> Observation:
    pops = find_pops(clip, low)
    if not pops:
        return Observation("pops", "no thump below the voice moves a compressor", True, "None to speak of.", "03", 0.0)
    where = ", ".join(f"{pop.time_s:.1f} s" for pop in pops[:6]) + (", …" if len(pops) > 6 else "")
    advice = "Take them out before any compressor, or it will duck the voice for each of them: use a low cut."
    return Observation("pops", f"{len(pops)} thumps below the voice ({where})", False, advice, "03", float(len(pops)))


def _rings(clip: Clip) -> Observation:
    search = suspect_rings(clip, count=1)
    if not search.found or search.found[0].gain_db < LEAST_RING_DB:
        measured, value = "none found", 0.0
        if search.found:
            value = search.found[0].gain_db
            measured = f"a weak one at {search.found[0].freq_hz:.0f} Hz, {value:.1f} dB"
        elif search.verdict == CANT_TELL:
            return Observation("resonance", "nothing sure", None, f"{search.why} Sweep and listen.", "03", value)
        return Observation("resonance", measured, True, "Nothing to cut.", "03", value)
    ring = search.found[0]
    return Observation(
        "resonance",
        f"a ring near {ring.freq_hz:.0f} Hz, about {ring.gain_db:.0f} dB",
        False,
        f"Listen near {ring.freq_hz:.0f} Hz; if it sounds boxy, cut part of it.",
        "03",
        ring.gain_db,
    )


def _sharpness(clip: Clip, active) -> Observation:
    hiss = measure_sibilance(clip, active)
    if hiss.count == 0:
        return Observation("s sounds", "none found", True, "Nothing to do.", "03")
    measured = (
        f"{hiss.count} found; above 6 kHz the louder ones are at {decibels(hiss.level_db)} dB relative to the voice"
    )
    if clip.rate < FULL_RATE:
        measured += f" (the file ends at {clip.rate / 2000:g} kHz)"
    advice = (
        f"Sharp (from {decibels(SHARP_DB, 0)} dB up). Compression brings them up further, so try a de-esser."
        if hiss.sharp
        else f"They sit well in the voice (sharp starts at {decibels(SHARP_DB, 0)} dB)."
    )
    return Observation("s sounds", measured, not hiss.sharp, advice, "03", hiss.level_db)


def _evenness(clip: Clip) -> Observation:
    phrases = [phrase for phrase in find_phrases(clip) if phrase.length_s >= _SHORTEST_PHRASE_S]
    loud = [integrated_lufs(clip.cut(phrase.start_s, phrase.end_s)) for phrase in phrases]
    loud = [value for value in loud if math.isfinite(value)]
    by_hand = "Level them by hand first, so that the compressor doesn't have to."
    if len(loud) < 2:
        # Whoever leaves no pause between the lines may still sing one of them from farther away.
        off = [one for one in find_uneven(clip) if "phrase" in one.kind]
        if off:
            worst = max(off, key=lambda one: abs(one.off_lu))
            told = f"the {worst.kind} at {worst.start_s:.1f} s is off by {decibels(abs(worst.off_lu))} LU"
            return Observation("phrases", told, False, by_hand, "02", abs(worst.off_lu))
        return Observation(
            "phrases", "too few pauses between them to compare", None, "Listen for lines that sink.", "02"
        )
    spread = max(loud) - min(loud)
    fine = spread <= EVEN_LU
    advice = "Ready for compression as they are." if fine else by_hand
    return Observation(
        "phrases",
        f"{len(loud)} phrases, {decibels(spread)} LU between the softest and the loudest",
        fine,
        advice,
        "02",
        spread,
    )


def _words(clip: Clip) -> Observation:
    loud = [one for one in find_uneven(clip) if one.kind == "loud word"]
    if not loud:
        return Observation("single words", "none stands out by its level", True, "Listen all the same.", "02", 0.0)
    told = [f"{one.start_s:.1f} s ({decibels(one.off_lu, sign=True)} LU)" for one in loud[:_MOST_WORDS]]
    where = ", ".join(told) + (", …" if len(loud) > _MOST_WORDS else "")
    count = "1 word stands" if len(loud) == 1 else f"{len(loud)} words stand"
    return Observation(
        "single words",
        f"{count} out from what is around: {where}",
        False,
        "Listen there. Too loud, and not meant? Turn it down by hand, before any compressor.",
        "02",
        max(one.off_lu for one in loud),
    )
