"""The band that goes with a voice: found by every lesson and bench, at the balance that was set, in its place, and never lost."""

from __future__ import annotations

import asyncio
import json

import numpy as np
import pytest
import soundfile
from conftest import one_sentence, sine

from vocomp_lab.bench.band import MIX_LUFS, mix_gains, page_band
from vocomp_lab.bench.bench import Bench
from vocomp_lab.bench.mix import MixBench
from vocomp_lab.bench.own_vocal import OwnVocal
from vocomp_lab.bench.regions import RegionBench
from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.lessons.band import FIRST_BALANCE_LU, LONGEST_SHIFT_S, at_rate, band_behind, take_backing
from vocomp_lab.lessons.course import LESSON_STAGES, begin
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.gain import Gain
from vocomp_lab.singer.song import shipped
from vocomp_lab.sound.audio import Clip, load

pytestmark = pytest.mark.usefixtures("undrawn")
RATE = 16_000
OWN = "09_your_own_vocal"


@pytest.fixture
def take(tmp_path):
    """Three seconds of a hummed note, as a file."""
    note = sine(180, 3, RATE, -12) * (np.arange(3 * RATE) / RATE % 1.5 < 1.1)
    soundfile.write(tmp_path / "my take.wav", note, RATE, subtype="FLOAT")
    return tmp_path / "my take.wav"


@pytest.fixture
def own(take, tmp_path):
    """The place for a voice of one's own, begun with that note."""
    return OwnVocal(begin(OWN, take, tmp_path / "state"))


def band_file(folder, seconds=5.0, rate=44_100, channels=1, name="band.wav"):
    """A tone of 440 Hz that begins after a second of silence."""
    tone = sine(440, seconds, rate, -6) * (np.arange(int(seconds * rate)) >= rate)
    soundfile.write(folder / name, np.column_stack([tone] * channels), rate, subtype="FLOAT")
    return folder / name


def state_of(bench) -> dict:
    return json.loads(bench._player.state_text)


def line_of(page) -> dict:
    return json.loads(page._line.value.removeprefix("<span>").removesuffix("</span>"))


def says(page, **said):
    """What a page says; each time with a number of its own."""
    says.number = getattr(says, "number", 0) + 1
    page._said.value = json.dumps({"number": says.number, "sound": False, **said})


# ---- which band, and at what balance ---------------------------------------------------------------------------------


def test_the_workbooks_singers_have_the_workbooks_band_and_so_has_all_that_is_made_of_them(tmp_path):
    lesson = begin("02_level_prep", folder=tmp_path)
    assert lesson.backing == shipped("backing").clip and lesson.in_a_song is lesson and list(tmp_path.iterdir()) == []
    chain = Chain([("gain", Gain(-3)), ("peaks", Compressor(-20, 3, 1, 80))])
    output = chain.apply(lesson.clip).output
    assert band_behind(output) == (lesson.band, 0)
    assert band_behind(output.cut(2, 5).gained(3)) == (lesson.band, 2 * output.rate)
    assert band_behind(output.cut(2, 5).cut(0.5, 1))[1] == 2.5 * output.rate
    assert band_behind(lesson.backing) is None and band_behind(shipped("lesson_verse_faulty").clip) is None
    assert band_behind(output.with_samples(output.samples[100:])) is None, "time was cut out, and nobody said where"
    assert begin("02_level_prep", lesson.clip, tmp_path / "other").backing is None, "as a recording it is another voice"


def test_benches_of_one_voice_share_one_band_and_others_have_none(tmp_path, take):
    lesson = begin("02_level_prep", folder=tmp_path)
    benches = Bench(lesson.clip, Gain(0)), RegionBench(lesson.clip.cut(1, 9), proposals=())
    first, second = (state_of(bench)["band"] for bench in benches)
    assert first["id"] == second["id"] and (first["from_s"], second["from_s"]) == (0, 1) and "align_s" not in first
    assert page_band(lesson.clip)[0] is page_band(begin("01_levels_and_meters", folder=tmp_path).voice)[0]
    for bench in benches:
        assert all(widget in bench.widget.children for widget in page_band(lesson.clip)[0].widgets)
    alone = begin("02_level_prep", take, tmp_path)
    bench = Bench(alone.clip, Gain(0), align=True)
    assert alone.band is None and alone.backing is None and state_of(bench)["band"] is None
    assert alone.in_a_song.truth["title"] == "Tin Boats"


def test_the_sound_is_sent_when_it_is_wanted_and_once(tmp_path):
    lesson = begin("02_level_prep", folder=tmp_path)
    Bench(lesson.clip, Gain(0))
    page = page_band(lesson.clip)[0]
    assert "sound_bytes" not in line_of(page) and page._box.children == ()
    says(page, sound=True)
    line = line_of(page)
    sound = page._sound.value
    assert line["sound_bytes"] == len(sound) and line["channels"] == 2 and line["heard"] == says.number
    assert line["lufs"] == pytest.approx(integrated_lufs(lesson.backing))
    says(page, sound=True)
    assert page._sound.value is sound and line_of(page)["heard"] == says.number
    for nonsense in ("", "[]", '{"number": "x", "sound": 1}', '{"number": NaN, "sound": false, "balance_lu": 1e9}'):
        page._said.value = nonsense
    assert lesson.band.balance_lu == FIRST_BALANCE_LU


def test_the_balance_stays_set_on_all_benches_and_in_the_next_lessons(tmp_path, take):
    lesson = begin("02_level_prep", folder=tmp_path)
    mix = MixBench(lesson.clip, lesson.clip.gained(-3), lesson.backing)
    assert mix.balance_lu == FIRST_BALANCE_LU
    page = page_band(lesson.clip)[0]
    says(page, balance_lu=-4.5)
    assert mix.balance_lu == -4.5 and line_of(page)["balance_lu"] == -4.5
    mix.balance_lu = 3.0
    assert line_of(page)["balance_lu"] == 3.0
    kept = json.loads((tmp_path / "lesson_verse_faulty" / "band.json").read_text())
    assert kept["balance_lu"] == 3.0
    # Another kernel has written meanwhile: a cell that is run again reads it.
    (tmp_path / "lesson_verse_faulty" / "band.json").write_text(json.dumps(kept | {"balance_lu": -1.0}))
    assert begin("01_levels_and_meters", folder=tmp_path).band.balance_lu == -1.0 == mix.balance_lu
    assert begin("02_level_prep", "second_verse_faulty", tmp_path).band.balance_lu == FIRST_BALANCE_LU, "per voice"
    given = MixBench(lesson.clip, lesson.clip, lesson.backing, balance_lu=5)
    assert (given.balance_lu, lesson.band.balance_lu) == (5, -1), "a balance that code gives is that bench's own"
    one_sentence(pytest.raises(ValueError, setattr, lesson.band, "balance_lu", 13), "balance_lu", "13")


# ---- in the mix ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("settings", [(-32, 3, 1, 80), (-50, 20, 10, 50)], ids=["usual", "extreme"])
def test_before_and_after_lie_at_the_same_balance_and_nothing_passes_full_scale(tmp_path, settings):
    lesson = begin("02_level_prep", folder=tmp_path)
    bench = Bench(lesson.clip, Compressor(*settings))
    told, band = state_of(bench), lesson.backing
    matched = bench.result.output.gained(told["match_gain_db"])
    band_lufs, band_peak = integrated_lufs(band), float(np.abs(band.samples).max())
    # A mono voice sounds on both sides, and so counts 3 dB more in the mix than alone: balance() says the same.
    sides = integrated_lufs(band.with_samples(lesson.clip.columns.repeat(2, axis=1))) - integrated_lufs(lesson.clip)
    for balance_lu in (-12.0, -2.5, 0.0, 12.0):
        voice_gain, band_gain = mix_gains(
            balance_lu, told["band"]["lufs"] + sides, band_lufs, told["band"]["peak"], band_peak
        )
        for sound in (lesson.clip, matched, bench.result.output):
            assert np.abs(voice_gain * sound.columns + band_gain * band.columns).max() <= 1
        before, after = (integrated_lufs(sound) + 20 * np.log10(voice_gain) for sound in (lesson.clip, matched))
        under = band_lufs + 20 * np.log10(band_gain)
        assert before + sides - under == pytest.approx(balance_lu, abs=0.01)
        assert after == pytest.approx(before, abs=0.02)
        if settings[0] > -50:
            assert max(before + sides, under) == pytest.approx(MIX_LUFS, abs=0.01), "the headroom is fixed"


def test_while_a_control_moves_a_long_voice_keeps_the_place_that_the_whole_has(tmp_path):
    """It begins softly, and only its first 20 s are in sight."""
    voice = sine(180, 45, 8_000, -12) * (np.arange(45 * 8_000) / 8_000 % 1.5 < 1.1)
    voice[: 21 * 8_000] *= 0.1
    soundfile.write(tmp_path / "long.wav", voice, 8_000, subtype="FLOAT")
    own = OwnVocal(begin(OWN, tmp_path / "long.wav", tmp_path / "state"))
    own.backing.load(band_file(tmp_path, 45.0, 8_000))

    def places(bench):
        return [
            told["band"] and (told["band"]["lufs"], told["band"]["peak"])
            for told in (json.loads(hidden.value[6:-7]) for hidden in (bench._player._state, bench._player._news))
        ]

    async def work():
        bench = Bench(own.lesson.clip, Gain(0))
        assert places(bench) == [(None, None), None], "until the whole is known the voice is heard alone"
        await bench._background.task
        whole = places(bench)[0]
        bench._refresh()
        return bench, whole, places(bench)

    bench, whole, moving = asyncio.run(work())
    assert whole[0] == pytest.approx(integrated_lufs(own.lesson.clip)) and whole[1] == pytest.approx(
        np.abs(voice).max()
    )
    assert integrated_lufs(own.lesson.clip.cut(0, 20)) < whole[0] - 15
    assert moving == [whole, None] == places(bench)


def test_a_section_of_a_voice_keeps_the_balance_that_it_has_in_the_whole(tmp_path):
    lesson = begin("02_level_prep", "song_clean", tmp_path)
    verse = lesson.truth["sections"][0]
    cut = lesson.clip.cut(verse["start_s"], verse["end_s"])
    whole, section, softer = (
        state_of(Bench(clip, Gain(0)))["band"]["lufs"] for clip in (lesson.clip, cut, cut.gained(-3))
    )
    assert integrated_lufs(cut) < integrated_lufs(lesson.clip) - 3, "the verse is soft"
    assert section == pytest.approx(whole, abs=0.05)
    assert softer == pytest.approx(section - 3, abs=0.05), "what was done to it still counts"
    other = Chain([("peaks", Compressor(-30, 4, 1, 80))]).apply(lesson.clip).output
    before = integrated_lufs(other.cut(0, 5)) - integrated_lufs(lesson.clip.cut(0, 5)) + integrated_lufs(lesson.clip)
    assert state_of(Bench(other.cut(0, 5), Gain(0)))["band"]["lufs"] == pytest.approx(before, abs=0.01)


# ---- a backing track of one's own -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "rate, channels, seconds", [(44_100, 1, 5.0), (48_000, 2, 2.0), (16_000, 2, 3.0), (11_025, 1, 1.7)]
)
def test_a_backing_at_any_rate_and_length_lies_in_time_with_the_voice(own, tmp_path, rate, channels, seconds):
    assert own.lesson.band is None
    own.backing.load(band_file(tmp_path, seconds, rate, channels))
    lesson = own.lesson
    backing = lesson.backing
    assert (backing.rate, backing.frames, backing.channels) == (RATE, lesson.clip.frames, channels)
    wanted = sine(440, 3, RATE, -6) * (np.arange(3 * RATE) >= RATE) * (np.arange(3 * RATE) < seconds * RATE)
    edges = np.zeros(3 * RATE, bool)  # where the tone begins and ends, a filter rings
    for edge in (1.0, min(seconds, 3.0)):
        edges[int((edge - 0.05) * RATE) : int((edge + 0.05) * RATE)] = True
    assert np.abs(backing.columns - wanted[:, None])[~edges].max() < 2e-3
    assert lesson.in_a_song is lesson and band_behind(lesson.clip) == (lesson.band, 0)


def test_it_is_kept_with_the_voice_for_every_lesson_and_moves_as_a_whole(own, take, tmp_path):
    own.backing.load(band_file(tmp_path))
    own.lesson.band.shift_s = -0.75
    own.lesson.band.balance_lu = 4.0
    still = own.lesson.backing
    assert np.abs(still.samples[: RATE // 5]).max() < 1e-3 < 0.4 < np.abs(still.samples[RATE // 4 : RATE // 2]).max()
    del own
    for name in LESSON_STAGES:
        lesson = begin(name, take, tmp_path / "state")
        assert (lesson.band.shift_s, lesson.band.balance_lu, lesson.band.name) == (-0.75, 4.0, "band.wav")
        assert lesson.backing == still
    lesson.band.shift_s = 2.5
    assert not lesson.backing.samples[: int(3.4 * RATE)].any(), "later than the voice: filled up with silence"
    assert lesson.band.loudness_lufs == -np.inf
    one_sentence(pytest.raises(ValueError, setattr, lesson.band, "shift_s", LONGEST_SHIFT_S + 1), "shift_s")
    workbooks = begin("02_level_prep", folder=tmp_path / "state").band
    one_sentence(pytest.raises(ValueError, setattr, workbooks, "shift_s", 1), "shift_s", "workbook's band")


def test_the_page_moves_it_and_python_measures_what_then_lies_under_the_voice(own, tmp_path):
    own.backing.load(band_file(tmp_path))
    bench = Bench(own.lesson.clip, Gain(0), align=True)
    page = page_band(own.lesson.clip)[0]
    assert state_of(bench)["band"]["align_s"] == [-5.0, 3.0]
    assert "align_s" not in state_of(Bench(own.lesson.clip, Gain(0)))["band"]
    says(page, sound=True)
    first = line_of(page)["lufs"]
    assert line_of(page)["whole_lufs"] == pytest.approx(integrated_lufs(own.lesson.band.clip))
    says(page, shift_s=1.234)
    assert own.lesson.band.shift_s == 1.234 and line_of(page)["lufs"] < first - 0.5
    says(page, shift_s=2.9)
    assert line_of(page)["lufs"] is None, "nothing lies under the voice"
    one_sentence(
        pytest.raises(ValueError, MixBench, own.lesson.clip, own.lesson.clip, own.lesson.backing),
        "backing",
        "Band begins at",
    )
    says(page, shift_s="soon")
    assert own.lesson.band.shift_s == 2.9


def test_nothing_that_was_kept_is_lost_by_another_backing(own, take, tmp_path):
    own.lesson.keep(Chain([("peaks", Compressor(-20, 3, 1, 80))]))
    own.backing.load(band_file(tmp_path))
    own.lesson.band.shift_s = 0.5
    folder = own.lesson.folder
    before = {path.name: path.read_bytes() for path in folder.iterdir() if path.name != "band.json"}
    own.backing.load(band_file(tmp_path, 2.0, name="other.wav"))
    assert own.lesson.band.shift_s == 0 and own.lesson.band.name == "other.wav"
    assert all((folder / name).read_bytes() == data for name, data in before.items()) and len(before) == 2
    own.backing.load(tmp_path / "band.wav")
    assert own.lesson.band.shift_s == 0.5, "loaded again, it is where it was"
    own.backing.leave()
    assert own.lesson.band is None and begin("05_steady_compression", take, tmp_path / "state").band is None
    assert (folder / next(name for name in before if name.startswith("backing_"))).exists()
    assert begin(OWN, take, tmp_path / "state").kept["peaks"] == Compressor(-20, 3, 1, 80)


def test_a_sheet_that_cannot_be_read_is_put_aside(own, tmp_path):
    own.backing.load(band_file(tmp_path))
    sheet = own.lesson.folder / "band.json"
    sheet.write_text(sheet.read_text()[:-20])
    broken = sheet.read_text()
    assert begin(OWN, own.clip, tmp_path / "state").band is None
    own.backing.load(tmp_path / "band.wav")
    assert own.lesson.band.name == "band.wav" and (own.lesson.folder / "band_unread.json").read_text() == broken


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda path: soundfile.write(path, np.zeros(RATE), RATE), ("backing", "silent")),
        (lambda path: soundfile.write(path, 0.1 * np.ones((RATE, 3)), RATE), ("backing", "3 channels")),
        (lambda path: path.write_bytes(b"no sound at all"), ("path", "can't be read")),
        (lambda path: None, ("path", "there is no file")),
    ],
    ids=["silent", "channels", "no sound", "missing"],
)
def test_a_bad_file_is_refused_in_one_sentence_and_the_band_stays(own, tmp_path, make, words):
    own.backing.load(band_file(tmp_path))
    sheet = (own.lesson.folder / "band.json").read_bytes()
    make(tmp_path / "bad.wav")
    one_sentence(pytest.raises((ValueError, FileNotFoundError), own.backing.load, tmp_path / "bad.wav"), *words)
    own.backing._path.value = str(tmp_path / "bad.wav")
    assert 'role="alert"' in own.backing._note.value and "stays" in own.backing._note.value
    assert (own.lesson.folder / "band.json").read_bytes() == sheet and own.lesson.band.name == "band.wav"


def test_the_workbooks_voice_takes_no_other_band_and_a_voice_of_many_channels_none(tmp_path):
    own = OwnVocal(begin("01_levels_and_meters", folder=tmp_path))
    one_sentence(pytest.raises(ValueError, own.backing.load, band_file(tmp_path)), "backing", "your own voice")
    assert "The workbook&#x27;s band goes with this voice." in own.backing._note.value
    many = Clip(0.1 * np.ones((RATE, 3)), RATE)
    mono = Clip(sine(440, 1, RATE, -6), RATE)
    one_sentence(pytest.raises(ValueError, take_backing, many, tmp_path / "x", mono, "band"), "voice", "3 channels")
    assert not (tmp_path / "x").exists()


def test_the_workbooks_band_can_go_with_a_take_that_was_sung_to_it(own):
    own.backing._row.children[2].click()
    assert own.lesson.band.name == "the workbook's band" and own.lesson.band.is_own
    assert "The workbook&#x27;s band goes with this voice, in every lesson" in own.backing._note.value
    own.backing._row.children[3].click()
    assert own.lesson.band is None and "no band yet" in own.backing._note.value


def test_what_cannot_be_written_holds_for_this_page_and_one_sentence_says_so(own, tmp_path, monkeypatch):
    own.backing.load(band_file(tmp_path))
    mix = MixBench(own.lesson.clip, own.lesson.clip, own.lesson.backing)
    page = page_band(Bench(own.lesson.clip, Gain(0)).clip)[0]

    def full(*_):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("vocomp_lab.lessons.band.write_whole", full)
        says(page, balance_lu=5.0)
        says(page, shift_s=0.25)
        assert (own.lesson.band.balance_lu, own.lesson.band.shift_s, mix.balance_lu) == (5.0, 0.25, 5.0)
        assert "No space left" in line_of(page)["trouble"] and line_of(page)["trouble"].count(".") == 2
        mix.balance_lu = 4.0
        assert 'role="alert"' in mix._line.value
    mix.balance_lu = 3.0
    assert line_of(page)["trouble"] == "" and 'role="alert"' not in mix._line.value


def test_a_file_over_full_scale_is_kept_softer_and_nothing_is_clipped(own, tmp_path):
    loud = band_file(tmp_path)
    soundfile.write(loud, 3 * load(loud).samples, 44_100, subtype="FLOAT")
    own.backing.load(loud)
    assert 0.95 < np.abs(own.lesson.band.clip.samples).max() < 1
    assert np.mean(np.abs(own.lesson.band.clip.samples) > 0.98) < 0.2, "a sine, not a square"


def test_another_rate_keeps_pitch_and_length():
    clip = Clip(sine(1_000, 2, 44_100, -6), 44_100)
    for rate in (8_000, 22_050, 48_000, 96_000, 47_999):
        changed = at_rate(clip, rate)
        assert changed.rate == rate and changed.duration_s == pytest.approx(2, abs=1e-3)
        middle = changed.samples[rate // 2 : 3 * rate // 2]
        wanted = sine(1_000, 2, rate, -6)[rate // 2 : 3 * rate // 2]
        assert np.abs(middle - wanted).max() < 2e-3
    assert at_rate(clip, 44_100) is clip
