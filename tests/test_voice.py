"""The synthetic singer against what is known about voices: pitch, formants, spectrum, crest factor, consonants.

Everything is measured on the sound, with this file's own estimators; nothing is read back from the synthesizer's
tracks.
"""

from __future__ import annotations

import time

import numpy as np
import pytest
from scipy.linalg import solve_toeplitz
from scipy.signal import get_window, resample_poly
from takes import ci_only

from vocomp_lab.singer.glottis import harmonics, pulse_harmonics, pulse_times
from vocomp_lab.singer.phonetics import VOWELS, kind_of
from vocomp_lab.singer.score import Score, Singer, Syllable
from vocomp_lab.singer.song import SINGERS, VERSES, score
from vocomp_lab.singer.voice import sing
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import crest_factor_db, rms_dbfs

SEEDS = (5, 77)


def pitch_hz(samples, rate, low_hz=70.0, high_hz=600.0):
    """Fundamental by normalised cross-correlation of a frame with itself one period later, refined by a parabola."""
    longest = int(rate / low_hz) + 2
    frame = len(samples) - longest
    head = samples[:frame]
    lags = np.arange(int(rate / high_hz), longest)
    power = np.convolve(samples**2, np.ones(frame), "valid")
    score_ = np.array([head @ samples[lag : lag + frame] for lag in lags]) / np.sqrt(power[0] * power[lags])
    # The shortest lag that is nearly as good as the best; longer ones are multiples of the period.
    peaks = np.flatnonzero((score_[1:-1] >= score_[:-2]) & (score_[1:-1] >= score_[2:])) + 1
    best = peaks[np.argmax(score_[peaks] > 0.97 * score_[peaks].max())]
    a, b, c = score_[best - 1 : best + 2]
    return rate / (lags[best] + 0.5 * (a - c) / (a - 2 * b + c))


def formants_hz(samples, rate, count=3, order=12, top_hz=5500.0):
    """Formants by linear prediction (autocorrelation method), the median over 50 ms frames."""
    down = int(round(rate / (2 * top_hz)))
    x = resample_poly(samples, 1, down)
    rate = rate / down
    x = np.append(x[0], x[1:] - 0.95 * x[:-1])
    size = int(0.05 * rate)
    found = []
    for start in range(0, len(x) - size, size // 2):
        frame = x[start : start + size] * get_window("hamming", size)
        r = np.correlate(frame, frame, "full")[size - 1 : size + order]
        roots = np.roots(np.append(1.0, -solve_toeplitz(r[:-1], r[1:])))
        roots = roots[roots.imag > 0]
        freqs = np.angle(roots) * rate / (2 * np.pi)
        widths = -np.log(np.abs(roots)) * rate / np.pi
        good = np.sort(freqs[(widths < 600) & (freqs > 150)])
        if len(good) >= count:
            found.append(good[:count])
    return np.median(found, axis=0)


def third_octaves_db(samples, rate, centres_hz):
    """Levels of third-octave bands, in dB relative to their sum."""
    power = np.abs(np.fft.rfft(samples)) ** 2
    freqs = np.fft.rfftfreq(len(samples), 1 / rate)
    bands = np.array([power[(freqs >= c / 2 ** (1 / 6)) & (freqs < c * 2 ** (1 / 6))].sum() for c in centres_hz])
    return 10 * np.log10(bands / bands.sum())


@pytest.fixture(
    scope="module",
    params=[(VERSES[0], SEEDS[0]), *ci_only([(verse, seed) for verse in VERSES for seed in SEEDS][1:])],
    ids=lambda p: f"{p[0]}-{p[1]}",
)
def performance(request):
    verse, seed = request.param
    return sing(score(verse), SINGERS[verse], seed)


def notes(truth, longer_than_s=0.0):
    return [n for w in truth["words"] for n in w["notes"] if n["end_s"] - n["start_s"] > longer_than_s]


def test_held_notes_are_within_10_cents_of_the_score(performance, deviation):
    """Equal temperament, A4 = 440 Hz (ISO 16)."""
    clip, held = performance.clip, notes(performance.truth, 0.35)
    assert len(held) >= 4
    for note in held:
        # From after the scoop to before the release, in stretches long enough to even out the vibrato.
        start, end = note["start_s"] + 0.18, note["end_s"] - 0.06
        times = np.arange(start, end - 0.045, 0.01)
        track = np.array([pitch_hz(clip.cut(t, t + 0.045).samples, clip.rate) for t in times])
        expected = 440.0 * 2 ** ((note["pitch_midi"] - 69) / 12)
        cents = 1200 * np.log2(track / expected)
        assert np.abs(cents).max() < 90, (note, cents)
        deviation("pitch of the singer's held notes", "the score (ISO 16)", cents.mean(), 10, "cents", note)


@pytest.mark.parametrize("voice, pitch", [("men", 42.0), ("women", 46.0)])
@pytest.mark.parametrize("vowel", [v for v in VOWELS if v != "ax"])
def test_formants_of_held_vowels(voice, pitch, vowel, deviation):
    """Peterson & Barney, J. Acoust. Soc. Am. 24(2), 1952, table II (values from memory), within 12 %.

    Sung low: between harmonics that lie far apart, no method can find a formant.
    """
    singer = Singer("test", voice, 36, 72, vibrato_cents=0, breathiness_db=-45, ring=0.0, scoop_cents=0)
    clip = sing(Score(((Syllable("x", vowel, 0.2, 0.9, pitch),),), 1.3), singer, 3).clip
    found = formants_hz(clip.cut(0.4, 0.9).samples, clip.rate, top_hz=4800 if voice == "men" else 5600)
    expected = np.array(VOWELS[vowel][0 if voice == "men" else 1])
    off = 100 * (found / expected - 1)
    deviation("formants of the singer's held vowels", "Peterson & Barney 1952, table II (memory)", off, 12, "%")


BYRNE_1994 = {
    200: 60.2,
    250: 60.3,
    315: 59.0,
    400: 62.1,
    500: 62.1,
    630: 60.5,
    800: 56.8,
    1000: 53.7,
    1250: 53.0,
    1600: 52.0,
    2000: 48.7,
    2500: 48.1,
    3150: 46.8,
    4000: 45.6,
    5000: 44.5,
    6300: 44.3,
    8000: 43.7,
}


def test_long_term_spectrum_is_a_voices(performance):
    """D. Byrne et al., "An international comparison of long-term average speech spectra", J. Acoust. Soc. Am. 96(4),
    1994, table II, both sexes together (values from memory). A verse on few notes has peaks at its fundamentals, so
    three bands are taken at a time.
    """
    centres = np.array(list(BYRNE_1994))
    expected = np.array(list(BYRNE_1994.values()))
    ours = third_octaves_db(performance.clip.samples, performance.clip.rate, centres)
    expected = expected - 10 * np.log10((10 ** (expected / 10)).sum())

    def grouped(levels):
        return 10 * np.log10((10 ** (levels[: len(levels) // 3 * 3] / 10)).reshape(-1, 3).sum(axis=1))

    difference = grouped(ours) - grouped(expected)
    assert np.abs(difference).max() < 7.0, difference


def test_crest_factor_is_a_voices(performance):
    """Speech with its pauses has a crest factor of 12 to 20 dB; a steady sum of harmonics has about 3 to 6 (common
    practice, no source).
    """
    assert 13.0 < crest_factor_db(performance.clip) < 20.0


def test_loudness_of_words_varies_but_not_wildly(performance):
    clip = performance.clip
    levels = np.array([rms_dbfs(clip.cut(w["start_s"], w["end_s"])) for w in performance.truth["words"]])
    assert 4.0 < np.percentile(levels, 90) - np.percentile(levels, 10) < 11.0
    assert -27.0 < 10 * np.log10(np.mean(10 ** (levels / 10))) < -19.0


def level_near(clip, start_s, end_s, band=None):
    """RMS of a stretch in dBFS, only of a band of frequencies if given."""
    part = clip.cut(start_s, end_s).samples
    spectrum = np.abs(np.fft.rfft(part)) ** 2
    freqs = np.fft.rfftfreq(len(part), 1 / clip.rate)
    inside = slice(None) if band is None else (freqs >= band[0]) & (freqs < band[1])
    return 10 * np.log10(2 * spectrum[inside].sum() / len(part) ** 2 + 1e-20)


def test_plosives_close_and_burst(performance):
    """Consonants separate words: before a plosive opens, the level drops at least 12 dB below the vowel."""
    clip, seen = performance.clip, 0
    for word in performance.truth["words"]:
        phones = word["phones"]
        for p, after in zip(phones, phones[1:]):
            if p["kind"] != "plosive" or after["kind"] != "vowel" or p["release_s"] - p["start_s"] < 0.03:
                continue
            vowel = level_near(clip, after["start_s"] + 0.02, after["end_s"])
            closed = level_near(clip, p["start_s"] + 0.5 * (p["release_s"] - p["start_s"]), p["release_s"] - 0.002)
            burst = level_near(clip, p["release_s"], p["release_s"] + 0.006, (300, 12_000))
            before = level_near(clip, p["release_s"] - 0.012, p["release_s"] - 0.002, (300, 12_000))
            assert closed < vowel - 12.0, (word["text"], p)
            assert burst > before + 6.0, (word["text"], p)
            seen += 1
    assert seen >= 8


def centroid_hz(clip, start_s, end_s):
    part = clip.cut(start_s, end_s).samples
    spectrum = np.abs(np.fft.rfft(part * np.hanning(len(part)))) ** 2
    freqs = np.fft.rfftfreq(len(part), 1 / clip.rate)
    inside = (freqs > 700) & (freqs < 15_000)
    return float((freqs[inside] * spectrum[inside]).sum() / spectrum[inside].sum())


def test_fricatives_are_where_they_should_be(performance):
    """A. Jongman, R. Wayland, S. Wong, J. Acoust. Soc. Am. 108(3), 2000 (values from memory): s near 6 to 8 kHz, sh
    near 3.5 to 5 kHz.
    """
    clip, found = performance.clip, {"s": [], "sh": []}
    for word in performance.truth["words"]:
        for p in word["phones"]:
            if p["phone"] in found:
                found[p["phone"]].append(centroid_hz(clip, p["start_s"] + 0.02, p["end_s"] - 0.02))
    assert len(found["s"]) >= 4 and found["sh"]
    assert all(5_500 < c < 8_500 for c in found["s"]), found
    assert all(3_000 < c < 5_200 for c in found["sh"]), found


def test_nasals_murmur(performance):
    """A nasal is weak above 700 Hz (Klatt 1980): at least 8 dB below the vowel beside it, on average."""
    clip, drops = performance.clip, []
    for word in performance.truth["words"]:
        phones = word["phones"]
        for p, after in [*zip(phones, phones[1:]), *zip(phones[1:], phones)]:
            if p["kind"] == "nasal" and after["kind"] == "vowel" and p["end_s"] - p["start_s"] > 0.035:
                middle = (0.75 * p["start_s"] + 0.25 * p["end_s"], 0.25 * p["start_s"] + 0.75 * p["end_s"])
                vowel = level_near(clip, after["start_s"] + 0.03, after["end_s"] - 0.02, (700, 5000))
                drops.append(vowel - level_near(clip, *middle, (700, 5000)))
    assert len(drops) >= 3 and np.mean(drops) > 8.0, drops


def test_vibrato_is_on_held_notes_and_comes_late():
    singer = Singer("test", "men", 40, 64, vibrato_hz=5.5, vibrato_cents=50, jitter_percent=0.1)
    clip = sing(Score(((Syllable("x", "aa", 0.2, 2.4, 52.0),),), 2.8), singer, 9).clip
    times = np.arange(0.3, 2.35, 0.01)
    cents = np.array([1200 * np.log2(pitch_hz(clip.cut(t, t + 0.04).samples, clip.rate) / 164.814) for t in times])
    early, late = cents[(times > 0.34) & (times < 0.48)], cents[times > 1.0]
    assert np.ptp(late) > 60 and np.ptp(early) < 30
    spectrum = np.abs(np.fft.rfft((late - late.mean()) * np.hanning(len(late)), 4096))
    assert 4.9 < np.argmax(spectrum) * 100 / 4096 < 6.3


def test_louder_is_brighter():
    """The glottal pulse shuts faster when sung louder, so the upper harmonics gain more than the lower (Fant 1995)."""
    singer = SINGERS["second"]

    def tilt(loudness_db):
        clip = sing(Score(((Syllable("x", "aa", 0.2, 0.8, 50.0, loudness_db),),), 1.2), singer, 4).clip
        return level_near(clip, 0.4, 0.8, (2000, 4500)) - level_near(clip, 0.4, 0.8, (80, 900))

    assert tilt(6.0) > tilt(-8.0) + 4.0


def test_nothing_aliases():
    """Just below half the rate a held vowel has no harmonics; those of a naive pulse would fold back there."""
    singer = Singer("test", "women", 48, 80, breathiness_db=-60, vibrato_cents=0, jitter_percent=0, shimmer_db=0)
    for rate in (16_000, 48_000):
        clip = sing(Score(((Syllable("x", "aa", 0.2, 1.2, 69.0),),), 1.6), singer, 2, rate).clip
        assert level_near(clip, 0.6, 1.2, (0.475 * rate, 0.5 * rate)) < rms_dbfs(clip) - 60


def test_same_seed_same_sound_other_seed_other_sound():
    one, again, other = (sing(score("first"), SINGERS["first"], seed) for seed in (8, 8, 9))
    assert np.array_equal(one.clip.samples, again.clip.samples) and one.truth == again.truth
    assert not np.array_equal(one.clip.samples, other.clip.samples)


def test_a_verse_renders_in_time():
    begin = time.process_time()
    performed = sing(score("second"), SINGERS["second"], 1)
    assert performed.clip.duration_s > 12 and time.process_time() - begin < 5.0


@pytest.mark.parametrize("rate", [8_000, 44_100, 96_000])
def test_other_sample_rates(rate):
    clip = sing(score("first"), SINGERS["first"], 3, rate).clip
    assert clip.rate == rate and clip.frames == round(score("first").length_s * rate)
    assert -32 < rms_dbfs(clip) < -20


def test_glottal_pulse_is_the_lf_model():
    """Fant 1995: H1 − H2 ≈ −7.6 + 11.1·Rd dB (value from memory); no net flow; steepest fall of −1 at the closing
    time.
    """
    for rd in (0.6, 0.9, 1.2, 1.6):
        c = pulse_harmonics(rd, 4000)
        assert 20 * np.log10(abs(c[0] / c[1])) == pytest.approx(-7.6 + 11.1 * rd, abs=1.5)
        wave = 2 * np.fft.irfft(np.append(0, c[:2047]), 4096) * 2048
        assert wave.min() == pytest.approx(-1.0, abs=0.01)
        assert np.argmin(wave) / 4096 == pytest.approx(pulse_times(rd)[1], abs=0.002)
        # Before the opening's end it follows the growing sine, which is 0 at the peak of the flow.
        assert wave[int(round(pulse_times(rd)[0] * 4096))] == pytest.approx(0.0, abs=0.01)
    assert np.allclose(harmonics([0.4, 2.7], 30), [pulse_harmonics(0.4, 30), pulse_harmonics(2.7, 30)])
    with pytest.raises(ValueError, match="count"):
        harmonics([1.0], 10_000)


@pytest.mark.parametrize(
    "make, words",
    [
        (lambda: Syllable("x", "q aa", 0.2, 0.5, 60), "phone"),
        (lambda: Syllable("x", "s t", 0.2, 0.5, 60), "exactly one vowel"),
        (lambda: Syllable("x", "aa iy", 0.2, 0.5, 60), "exactly one vowel"),
        (lambda: Syllable("x", "aa", -1, 0.5, 60), "start_s"),
        (lambda: Syllable("x", "aa", 0, 0.5, 200), "pitch_midi"),
        (lambda: Score((), 2.0), "phrases"),
        (lambda: Score(((Syllable("x", "aa", 0.2, 0.5, 60),),), 0.5), "length_s"),
        (lambda: Score(((Syllable("x-", "aa", 0.2, 0.5, 60),),), 2.0), "hyphen"),
        (lambda: Score(((Syllable("x", "aa", 0.2, 0.5, 60), Syllable("y", "aa", 0.2, 0.5, 60)),), 2.0), "start_s"),
        (lambda: Singer("x", "children", 40, 60), "voice"),
        (lambda: Singer("x", "men", 40, 60, ring=2), "ring"),
        (lambda: sing(Score(((Syllable("x", "aa", 0.2, 0.5, 80),),), 2.0), SINGERS["second"], 1), "range"),
        (lambda: sing(Score(((Syllable("x", "s aa", 0.0, 0.5, 50),),), 2.0), SINGERS["second"], 1), "start it later"),
        (lambda: sing(score("first"), SINGERS["first"], -1), "seed"),
    ],
)
def test_refusals_are_one_sentence(make, words):
    with pytest.raises(ValueError, match=words) as refusal:
        make()
    assert "\n" not in str(refusal.value) and str(refusal.value).endswith(".")


def test_every_phone_can_be_sung():
    from vocomp_lab.singer.phonetics import CONSONANTS, DIPHTHONGS

    singer = SINGERS["second"]
    for phone in (*CONSONANTS, *DIPHTHONGS):
        phones = phone if kind_of(phone) == "vowel" else f"{phone} aa {phone}"
        sung = sing(Score(((Syllable("x", phones, 0.3, 0.7, 50.0),),), 1.2), singer, 6)
        assert isinstance(sung.clip, Clip) and np.abs(sung.clip.samples).max() > 0.05
