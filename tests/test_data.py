"""The shipped clips: their truth is true, they can be remade bit for bit, and other seeds give other sensible takes."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
import soundfile
from scipy.signal import butter, sosfiltfilt

from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.singer.backing import play
from vocomp_lab.singer.faults import (
    Boxiness,
    Distance,
    HardOnsets,
    Hiss,
    Hum,
    LoudBreaths,
    LoudWord,
    Pops,
    QuietPhrase,
    Rumble,
    Sibilance,
)
from vocomp_lab.singer import song
from vocomp_lab.singer.song import DATA_FOLDER, VERSES, make_data, make_shipped, make_take, shipped, shipped_names
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import rms_dbfs, sample_peak_dbfs

FAULTS = {
    kind.kind
    for kind in (LoudWord, QuietPhrase, HardOnsets, LoudBreaths, Sibilance, Distance, Boxiness, Pops, Rumble, Hum, Hiss)
}
VOCALS = ("lesson_verse", "second_verse")


@pytest.fixture(scope="module", params=VOCALS)
def pair(request):
    return shipped(f"{request.param}_clean"), shipped(f"{request.param}_faulty")


@pytest.fixture(scope="module", params=[VERSES[0], pytest.param(VERSES[1], marks=pytest.mark.ci)])
def manners(request):
    """A verse in each manner, clean and faulty: what is sung is made once for both."""
    return {
        manner: tuple(make_take(request.param, 31, faulty, manner=manner) for faulty in (False, True))
        for manner in ("quiet", "loud", "spoken", "plain")
    }


def band_dbfs(clip, start_s, end_s, low_hz, high_hz):
    part = clip.cut(start_s, end_s).samples
    spectrum = np.abs(np.fft.rfft(part)) ** 2
    freqs = np.fft.rfftfreq(len(part), 1 / clip.rate)
    return 10 * np.log10(2 * spectrum[(freqs >= low_hz) & (freqs < high_hz)].sum() / len(part) ** 2 + 1e-20)


def test_folder_holds_what_it_should():
    assert shipped_names() == (
        "lesson_verse_clean",
        "lesson_verse_faulty",
        "second_verse_clean",
        "second_verse_faulty",
        "backing",
        "song_clean",
        "song_faulty",
        "song_backing",
    )
    files = sorted(path.name for path in DATA_FOLDER.iterdir())
    expected = ["README.md", *(f"{name}{end}" for name in shipped_names() for end in (".flac", ".truth.json"))]
    assert files == sorted(expected)
    assert sum(path.stat().st_size for path in DATA_FOLDER.iterdir()) < 15_000_000
    for name in shipped_names():
        about = soundfile.info(str(DATA_FOLDER / f"{name}.flac"))
        assert (about.samplerate, about.channels) == (48_000, 2 if "backing" in name else 1)
        assert about.subtype == ("PCM_16" if "song" in name else "PCM_24")


def test_one_clip_is_remade_bit_for_bit():
    take = make_shipped("lesson_verse_faulty")
    on_disk, _ = soundfile.read(str(DATA_FOLDER / "lesson_verse_faulty.flac"), dtype="int32")
    assert np.array_equal(np.rint(take.clip.samples * 2**23).astype(np.int64), on_disk.astype(np.int64) >> 8)
    assert take.truth == shipped("lesson_verse_faulty").truth


def encoder(path) -> bytes | None:
    """The name and version of the FLAC encoder that wrote a file, from its comment block."""
    found = re.search(rb"reference libFLAC [0-9.]+ \d{8}", path.read_bytes()[:8192])
    return found and found[0]


@pytest.mark.ci
def test_whole_folder_is_remade_byte_for_byte(tmp_path):
    """With another libsndfile's encoder the bytes may differ; the sound may not."""
    told = []
    written = make_data(tmp_path, lambda done, total, name: told.append((done, total, name)))
    assert told[0] == (0, 8, "lesson_verse_clean") and told[-1] == (8, 8, "")
    assert len(written) == 16 and not [path for path in tmp_path.iterdir() if path.name.startswith(".")]
    for path in written:
        shipped_path = DATA_FOLDER / path.name
        if path.suffix == ".flac" and encoder(path) != encoder(shipped_path):
            made, kept = (soundfile.read(str(flac), dtype="int32")[0] for flac in (path, shipped_path))
            assert np.array_equal(made, kept), path.name
        else:
            assert path.read_bytes() == shipped_path.read_bytes(), path.name


def test_levels_of_the_shipped_takes(pair):
    clean, faulty = pair
    assert -7.5 < sample_peak_dbfs(faulty.clip) < -5.0
    assert -25.0 < integrated_lufs(faulty.clip) < -18.0
    assert sample_peak_dbfs(clean.clip) < sample_peak_dbfs(faulty.clip)
    assert 12.0 <= faulty.clip.duration_s <= 16.0 and clean.clip.frames == faulty.clip.frames


def test_truth_is_plain_and_complete(pair):
    for take in pair:
        truth = take.truth
        assert json.loads(json.dumps(truth)) == truth and truth["synthetic"] is True
        assert set(truth["faults"]) == (FAULTS if truth["faulty"] else set())
        assert truth["duration_s"] == pytest.approx(take.clip.duration_s, abs=1e-4)
        assert len(truth["phrases"]) == 4 and len(truth["breaths"]) == 4
        times = [t for word in truth["words"] for p in word["phones"] for t in (p["start_s"], p["end_s"])]
        assert all(a <= b + 1e-9 for a, b in zip(times, times[1:])), "sounds overlap"
        whole = sorted(truth["sung"] + truth["pauses"])
        assert whole[0][0] == 0 and whole[-1][1] == truth["duration_s"]
        assert all(a[1] == b[0] for a, b in zip(whole, whole[1:]))


def test_word_levels_are_as_told(pair):
    clean, faulty = pair
    for word in clean.truth["words"]:
        assert rms_dbfs(clean.clip.cut(word["start_s"], word["end_s"])) == pytest.approx(
            word["level_clean_dbfs"], abs=0.02
        )
        assert rms_dbfs(faulty.clip.cut(word["start_s"], word["end_s"])) == pytest.approx(
            word["level_faulty_dbfs"], abs=0.02
        )


def test_sung_is_where_the_sound_is(pair):
    clean, _ = pair
    sung = max(rms_dbfs(clean.clip.cut(*span)) for span in clean.truth["sung"])
    for span in clean.truth["silences"]:
        if span[1] - span[0] > 0.03:
            assert rms_dbfs(clean.clip.cut(span[0] + 0.01, span[1] - 0.01)) < sung - 50
    for span in clean.truth["breaths"]:
        assert sung - 45 < rms_dbfs(clean.clip.cut(*span)) < sung - 18


def test_the_named_faults_have_their_nominal_size(pair):
    faults = pair[1].truth["faults"]
    assert faults["loud_word"]["gain_db"] == 7.0 and faults["quiet_phrase"]["gain_db"] == -6.0
    assert faults["boxiness"]["gain_db"] == 6.0 and 380 <= faults["boxiness"]["freq_hz"] <= 420
    assert 6000 <= faults["sibilance"]["freq_hz"] <= 8000
    assert faults["rumble"]["low_hz"] == 30 and faults["rumble"]["high_hz"] == 60 and faults["hum"]["freq_hz"] == 50


def test_loud_word_and_quiet_phrase_stand_out(pair):
    """The faulty take against the clean one, with the drifting distance removed by its own numbers."""
    clean, faulty = pair
    faults = faulty.truth["faults"]
    change = np.array([w["level_faulty_dbfs"] - w["level_clean_dbfs"] for w in faulty.truth["words"]])
    middle = np.array([0.5 * (w["start_s"] + w["end_s"]) for w in faulty.truth["words"]])
    change -= np.interp(middle, faults["distance"]["times_s"], faults["distance"]["gains_db"])
    loud = faults["loud_word"]["word"]
    quiet = slice(*faulty.truth["phrases"][faults["quiet_phrase"]["phrase"]]["words"])
    others = np.delete(change, [loud, *range(quiet.start, quiet.stop)])
    assert change[loud] == pytest.approx(np.median(others) + 7.0, abs=1.5)
    assert np.median(change[quiet]) == pytest.approx(np.median(others) - 6.0, abs=1.5)
    levels = np.array([w["level_faulty_dbfs"] for w in faulty.truth["words"]])
    assert np.argmax(levels) == loud and levels[loud] > np.sort(levels)[-2] + 1.5


def test_noises_are_in_the_pauses_as_told(pair):
    _, faulty = pair
    faults = faulty.truth["faults"]
    start, end = max(faulty.truth["silences"], key=lambda span: span[1] - span[0])
    start, end = start + 0.03, end - 0.03
    low, high = faults["rumble"]["low_hz"], faults["rumble"]["high_hz"]
    expected = 10 * np.log10(10 ** (faults["rumble"]["level_dbfs"] / 10) + 10 ** (faults["hum"]["levels_dbfs"][0] / 10))
    # Half a second of noise 30 Hz wide has about 15 independent values, good to about ±2.5 dB.
    assert band_dbfs(faulty.clip, start, end, low - 10, high + 10) == pytest.approx(expected, abs=4.0)
    third = faults["hum"]["levels_dbfs"][2]
    assert band_dbfs(faulty.clip, start, end, 140, 160) == pytest.approx(third, abs=1.0)
    share = 10 * np.log10(15_000 / 24_000)
    assert band_dbfs(faulty.clip, start, end, 4_000, 19_000) == pytest.approx(
        faults["hiss"]["level_dbfs"] + share, abs=0.5
    )


def test_pops_are_low_and_on_plosives(pair):
    clean, faulty = pair
    pops = faulty.truth["faults"]["pops"]
    releases = [p["release_s"] for w in faulty.truth["words"] for p in w["phones"] if p["phone"] in ("p", "b")]
    assert set(pops["times_s"]) <= set(releases) and len(pops["times_s"]) >= 3
    low = Clip(sosfiltfilt(butter(4, 120, fs=48_000, output="sos"), faulty.clip.samples), 48_000)
    for at, peak in zip(pops["times_s"], pops["peaks_dbfs"]):
        assert sample_peak_dbfs(low.cut(at, at + 0.06)) == pytest.approx(peak, abs=2.5)
        assert rms_dbfs(low.cut(at, at + 0.06)) > rms_dbfs(low.cut(at - 0.08, at - 0.02)) + 9


def test_sibilants_are_sharper(pair):
    clean, faulty = pair
    faults = faulty.truth["faults"]
    freq = faults["sibilance"]["freq_hz"]
    spans = {tuple(span) for span in faults["sibilance"]["spans"]}
    sounds = [p for w in faulty.truth["words"] for p in w["phones"] if p["phone"] in ("s", "sh", "z")]
    assert spans == {(p["start_s"], p["end_s"]) for p in sounds} and len(spans) >= 6
    gains = [
        band_dbfs(faulty.clip, a, b, freq - 400, freq + 400)
        - band_dbfs(clean.clip, a, b, freq - 400, freq + 400)
        - (band_dbfs(faulty.clip, a, b, 2_000, 3_000) - band_dbfs(clean.clip, a, b, 2_000, 3_000))
        for a, b in spans
    ]
    assert np.median(gains) == pytest.approx(faults["sibilance"]["gain_db"], abs=2.0)


def test_resonance_is_at_its_frequency(pair):
    """The transfer from the clean to the faulty take peaks where the truth says. Every frame is first matched above
    700 Hz, which the bell leaves alone.
    """
    clean, faulty = pair
    box = faulty.truth["faults"]["boxiness"]
    size = 4096

    def spectra(samples):
        frames = np.lib.stride_tricks.sliding_window_view(samples, size)[:: size // 2] * np.hanning(size)
        return np.fft.rfft(frames, axis=1)

    a, b = spectra(clean.clip.samples), spectra(faulty.clip.samples)
    freqs = np.fft.rfftfreq(size, 1 / 48_000)
    above = (freqs > 900) & (freqs < 2_500)
    b /= np.sqrt((np.abs(b[:, above]) ** 2).sum(axis=1) / (np.abs(a[:, above]) ** 2).sum(axis=1))[:, None]
    transfer = np.abs((np.conj(a) * b).sum(axis=0)) / (np.abs(a) ** 2).sum(axis=0)
    inside = (freqs > 250) & (freqs < 700)
    smooth = np.convolve(20 * np.log10(transfer[inside]), np.ones(3) / 3, "same")[1:-1]
    found = freqs[inside][1:-1][np.argmax(smooth)]
    assert found == pytest.approx(box["freq_hz"], rel=0.08)
    assert smooth.max() == pytest.approx(box["gain_db"], abs=1.5)


@pytest.mark.ci
@pytest.mark.parametrize("verse", VERSES)
def test_other_seeds_give_other_sensible_takes(verse):
    takes = [
        shipped(f"{'lesson' if verse == 'first' else verse}_verse_faulty"),
        *(make_take(verse, n) for n in (11, 12)),
    ]
    assert len({take.truth["faults"]["boxiness"]["freq_hz"] for take in takes}) > 1
    assert (
        len({(t.truth["faults"]["loud_word"]["text"], t.truth["faults"]["quiet_phrase"]["phrase"]) for t in takes}) > 1
    )
    for take in takes:
        faults = take.truth["faults"]
        assert sample_peak_dbfs(take.clip) < -3.0 and -30 < integrated_lufs(take.clip) < -18
        assert 6 <= faults["loud_word"]["gain_db"] <= 8 and -7 <= faults["quiet_phrase"]["gain_db"] <= -5
        word = take.truth["words"][faults["loud_word"]["word"]]
        assert word["text"] == faults["loud_word"]["text"] and word["phrase"] != faults["quiet_phrase"]["phrase"]


def octaves_db(clip, start_s=0.0, end_s=None):
    """How far 2 to 4 kHz lie above 300 to 1,000 Hz."""
    end_s = clip.duration_s if end_s is None else end_s
    return band_dbfs(clip, start_s, end_s, 2_000, 4_000) - band_dbfs(clip, start_s, end_s, 300, 1_000)


def test_the_chorus_of_the_song_is_sung_with_more_effort():
    """Louder by 5 to 8 LU, and brighter too; the sections meet in the pause between them, and the band plays along."""
    clean, faulty, band = (shipped(f"song_{what}") for what in ("clean", "faulty", "backing"))
    assert clean.clip.frames == faulty.clip.frames == band.clip.frames and 26 < clean.clip.duration_s < 32
    assert set(faulty.truth["faults"]) == FAULTS
    verse, chorus = clean.truth["sections"]
    assert clean.truth["sections"] == faulty.truth["sections"] and verse["name"] == "verse"
    assert verse["start_s"] == 0 and verse["end_s"] == chorus["start_s"] and chorus["end_s"] == clean.clip.duration_s
    assert any(start < verse["end_s"] < end for start, end in clean.truth["pauses"])
    assert verse["phrases"] == [0, 4] and chorus["phrases"] == [4, 8]
    parts = [clean.clip.cut(part["start_s"], part["end_s"]) for part in (verse, chorus)]
    assert 5 <= integrated_lufs(parts[1]) - integrated_lufs(parts[0]) <= 8
    assert octaves_db(parts[1]) > octaves_db(parts[0]) + 2
    on_beats = [chord["start_s"] for chord in band.truth["chords"]]
    assert all(min(abs(at - beat) for beat in on_beats) < 0.5 for at, _ in clean.truth["sung"])


def test_each_manner_sounds_like_itself(manners):
    takes = {manner: clean for manner, (clean, _) in manners.items()}
    bright = {manner: octaves_db(take.clip) for manner, take in takes.items()}
    assert bright["quiet"] < bright["plain"] - 0.4 and bright["loud"] > bright["plain"] + 2
    assert "manner" not in takes["plain"].truth and takes["quiet"].truth["manner"] == "quiet"
    # Breath fills the gaps between the harmonics of a held vowel.
    vowel = max(takes["plain"].truth["words"][-1]["notes"], key=lambda note: note["end_s"] - note["start_s"])
    between = {}
    for manner in ("quiet", "plain"):
        held = takes[manner].clip.cut(vowel["start_s"] + 0.2, vowel["start_s"] + 0.9).samples
        spectrum = np.abs(np.fft.rfft(held * np.hanning(len(held)))) ** 2
        highs = spectrum[int(1_500 * 0.7) : int(4_000 * 0.7)].reshape(-1, 35)
        between[manner] = 10 * np.log10(np.median(highs) / highs.mean())
    assert between["quiet"] > between["plain"] + 2
    notes = [note for word in takes["spoken"].truth["words"] for note in word["notes"]]
    sung = [note for word in takes["plain"].truth["words"] for note in word["notes"]]
    assert np.ptp([note["pitch_midi"] for note in notes]) < 2 < np.ptp([note["pitch_midi"] for note in sung])
    sixteenth_s, lead_s = 60 / 76 / 4, 1.5 * 60 / 76
    off_s = [(note["start_s"] - lead_s + sixteenth_s / 2) % sixteenth_s - sixteenth_s / 2 for note in notes]
    assert np.abs(off_s).max() < 0.03
    assert max(note["end_s"] - note["start_s"] for note in notes) < 0.3 < max(n["end_s"] - n["start_s"] for n in sung)


def test_every_manner_can_be_faulty(manners):
    for _, take in manners.values():
        assert set(take.truth["faults"]) == FAULTS and -30 < integrated_lufs(take.clip) < -18


@pytest.mark.ci
def test_a_song_in_another_manner_can_be_faulty():
    take = make_take("song", 11, manner="spoken")
    assert set(take.truth["faults"]) == FAULTS and -30 < integrated_lufs(take.clip) < -18


def test_clean_and_faulty_are_one_performance(manners):
    clean, _ = manners["plain"]
    song._performed.cache_clear()  # sung again, and not only kept
    faulty = make_take(clean.truth["verse"], 31)
    assert clean.truth["words"] == faulty.truth["words"] and clean.truth["take_gain_db"] == faulty.truth["take_gain_db"]
    word = max(clean.truth["words"], key=lambda w: w["end_s"] - w["start_s"])
    a, b = (take.clip.cut(word["start_s"], word["end_s"]).samples for take in (clean, faulty))
    assert np.corrcoef(a, b)[0, 1] > 0.7


def test_backing_fits_the_verses():
    take = shipped("backing")
    assert take.clip.channels == 2 and take.clip.frames == shipped("lesson_verse_clean").clip.frames
    assert sample_peak_dbfs(take.clip) < -6 and -26 < integrated_lufs(take.clip) < -20
    left, right = take.clip.samples.T
    assert 0.1 < np.corrcoef(left, right)[0, 1] < 0.99
    # The kick of every bar is where the truth says: the low end jumps there.
    low = Clip(sosfiltfilt(butter(2, 90, fs=48_000, output="sos"), left + right), 48_000)
    for chord in take.truth["chords"]:
        at = min(take.truth["drums"]["kick"], key=lambda t: abs(t - chord["start_s"]))
        assert abs(at - chord["start_s"]) < 0.012
        assert sample_peak_dbfs(low.cut(at, at + 0.08)) > sample_peak_dbfs(low.cut(max(at - 0.06, 0), at - 0.01)) + 3


@pytest.mark.parametrize(
    "make, words",
    [
        (lambda: shipped("nonsense"), "lesson_verse_clean"),
        (lambda: make_take("third", 1), "verse"),
        (lambda: make_take("first", -3), "seed"),
        (lambda: make_take("first", 3, manner="shouted"), "manner"),
        (lambda: song.make_backing(3, verse="third"), "verse"),
        (lambda: play(("H",), 0.8, 1.0, 4.0, 1), "chords"),
        (lambda: LoudWord(0, "x", 1.0, 1.0, 7.0), "end_s"),
        (lambda: LoudWord(0, "x", 1.0, 2.0, 70.0), "gain_db"),
        (lambda: Rumble(60, 30, -40, 1), "high_hz"),
        (lambda: Pops((1.0,), (), ()), "freqs_hz"),
        (lambda: Distance((0.0, 0.0), (1.0, 1.0)), "times_s"),
        (lambda: Sibilance(((1.0, 0.5),), 7000, 9, 1.5), "spans"),
        (lambda: Boxiness(400, 60, 2), "gain_db"),
        (lambda: Hiss(3.0, 1), "level_dbfs"),
    ],
)
def test_refusals_are_one_sentence(make, words):
    with pytest.raises(ValueError, match=words) as refusal:
        make()
    assert "\n" not in str(refusal.value) and str(refusal.value).endswith(".")


def test_missing_folder_is_told(tmp_path):
    with pytest.raises(FileNotFoundError, match="make-data"):
        shipped("backing", tmp_path)


def test_faults_leave_the_length_and_channels_alone():
    stereo = Clip(np.random.default_rng(1).standard_normal((24_000, 2)) * 0.05, 48_000)
    for fault in (
        LoudWord(0, "x", 0.1, 0.3, 7.0),
        LoudBreaths(((0.1, 0.2),), 9.0),
        HardOnsets((0.2,), 5.0, 30.0),
        Sibilance(((0.1, 0.2),), 7000, 9, 1.5),
        Distance((0.0, 0.5), (1.0, -1.0)),
        Boxiness(400, 6, 2),
        Pops((0.2,), (40.0,), (-15.0,)),
        Rumble(30, 60, -45, 1),
        Hum(50, (-60.0,)),
        Hiss(-60, 1),
    ):
        out = fault.apply(stereo)
        assert out.samples.shape == stereo.samples.shape and not np.array_equal(out.samples, stereo.samples)
