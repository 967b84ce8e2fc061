"""Python's side of recording in the page: what arrives is put together, judged and kept, whatever comes in between."""

from __future__ import annotations

import html
import io
import json
import re
from datetime import datetime

import numpy as np
import pytest
import soundfile
from conftest import one_sentence, sine

from vocomp_lab import Clip, load
from vocomp_lab.bench import recorder as recorder_module
from vocomp_lab.bench.own_vocal import OwnVocal
from vocomp_lab.bench.recorder import Recorder, SoundCheck
from vocomp_lab.lessons.course import begin
from vocomp_lab.lessons.recording import judge_level

RATE = 16_000
SUNG = sine(220, 1.0, RATE, -9).astype("<f4")
THIRDS = [part.tobytes() for part in np.array_split(SUNG, 3)]
STARTED = "2026-11-27T14:03:22"


class Page:
    """What the page sends to a recorder, as it arrives, and what it reads there."""

    def __init__(self, recorder):
        self.recorder, self.number = recorder, 0

    def give(self, kind, place=0, content=b"", token="abc"):
        self.number += 1
        name = f"{kind}-{place}-{self.recorder._id}-{token}-{self.number}"
        given = {"name": name, "type": "", "size": len(content), "last_modified": 0, "content": memoryview(content)}
        self.recorder._inbox.set_state({"value": [given]})
        assert self.recorder._inbox.value == () and self.state["answered"] == str(self.number)
        return self.state

    def begin(self, rate=RATE, token="abc", started=STARTED):
        return self.give("begin", 0, json.dumps({"rate": rate, "started": started}).encode(), token)

    def record(self):
        self.begin()
        for place, piece in enumerate(THIRDS, 1):
            assert self.give("piece", place, piece)["pieces"] == place
        return self.give("end")

    @property
    def state(self):
        return json.loads(html.unescape(re.sub(r"</?span>", "", self.recorder._line.value)))


def kept_in(kept):
    def keep(clip, started):
        kept.append((clip, started))
        return "Kept."

    return keep


@pytest.fixture
def kept():
    return []


@pytest.fixture
def page(kept):
    return Page(Recorder(lambda clip: (judge_level(clip),), kept_in(kept)))


def test_a_take_arrives_in_pieces_is_judged_and_kept(page, kept):
    state = page.record()
    assert state["ended"] and state["seconds"] == 1.0 and state["error"] == ""
    assert [verdict["word"] for verdict in state["verdicts"]] == ["good"]
    assert page.give("keep")["said"] == "Kept."
    ((clip, started),) = kept
    assert clip == Clip(SUNG.astype(float), RATE) and started == datetime(2026, 11, 27, 14, 3, 22)
    assert page.recorder.clip is None
    page.give("keep")
    assert len(kept) == 1


def test_pieces_given_twice_or_out_of_turn_change_nothing(page):
    page.begin()
    for place in (1, 1, 3, 2, 1, 2, 3, 3):
        page.give("piece", place, THIRDS[place - 1])
    page.give("end")
    page.give("end")
    page.give("piece", 4, THIRDS[0])
    assert page.recorder.clip == Clip(SUNG.astype(float), RATE)


def test_a_take_that_a_page_left_can_still_be_ended_and_kept(page, kept):
    page.begin()
    page.give("piece", 1, THIRDS[0])
    state = page.give("end")  # by another page, after the first has gone
    assert state["pieces"] == 1 and state["ended"]
    page.give("keep")
    assert kept[0][0].samples.tobytes() == np.frombuffer(THIRDS[0], "<f4").astype(float).tobytes()


def test_given_up_it_is_gone_and_the_next_begins_afresh(page, kept):
    page.record()
    assert page.give("again")["token"] == "" and page.recorder.clip is None
    assert page.give("keep")["said"] == "" and not kept
    page.record()
    assert page.recorder.clip.frames == RATE


def test_messages_of_another_take_or_no_message_at_all_are_left_alone(page):
    page.record()
    clip = page.recorder.clip
    for kind in ("piece", "end", "keep", "again", "nonsense"):
        page.give(kind, 1, b"1234", token="def")
    recorder = page.recorder
    for name in (
        "piece-1-other-abc-1",
        "",
        "../x",
        f"keep-0-{recorder._id}-abc",
        f"keep-{'9' * 40}-{recorder._id}-abc-1",
    ):
        recorder._inbox.set_state(
            {"value": [{"name": name, "type": "", "size": 0, "last_modified": 0, "content": memoryview(b"")}]}
        )
    assert recorder.clip is clip


@pytest.mark.parametrize(
    "wrong",
    [b"", b"[]", b"no json", b"{}", b'{"rate": 3, "started": ""}', b'{"rate": "x", "started": ""}', b"\xff\xfe\x00"],
)
def test_a_beginning_that_makes_no_sense_is_said_in_a_sentence(page, wrong):
    page.record()
    clip = page.recorder.clip
    one_sentence(page.give("begin", 0, wrong, "def")["error"])
    assert page.recorder.clip is clip


def test_a_time_that_makes_no_sense_is_replaced_by_now(page, kept):
    page.begin(started="../../etc")
    page.give("piece", 1, THIRDS[0])
    page.give("end")
    page.give("keep")
    assert abs((kept[0][1] - datetime.now()).total_seconds()) < 600


def test_what_goes_wrong_in_keeping_is_said_and_the_take_stays(kept):
    def fails(clip, started):
        if not kept:
            kept.append("once")
            raise OSError(28, "No space left on device")
        return "Kept."

    page = Page(Recorder(lambda clip: (), fails))
    page.record()
    assert "No space left" in page.give("keep")["error"] and page.recorder.clip is not None
    state = page.give("keep")
    assert state["said"] == "Kept." and state["error"] == ""


def test_no_more_is_taken_than_the_workbook_takes(page, monkeypatch):
    monkeypatch.setattr(recorder_module, "MOST_SAMPLES", 10_000)
    monkeypatch.setattr(recorder_module, "_PIECE_FRAMES", 100)
    page.begin()
    assert not page.give("piece", 1, THIRDS[0])["error"]
    one_sentence(page.give("piece", 2, THIRDS[1])["error"], "20 minutes")
    assert page.state["pieces"] == 1


def test_an_end_without_a_sample_is_said(page):
    page.begin()
    one_sentence(page.give("end")["error"], "nothing was recorded")


def test_the_band_and_a_take_that_only_python_has_are_sent_when_asked_for(page):
    state = page.give("band", token="0")
    assert state["band"]["bytes"] == len(page.recorder._band.value) > 100_000
    page.record()
    state = page.give("hear")
    heard, rate = soundfile.read(io.BytesIO(bytes(page.recorder._sound.value)))
    assert state["sound"]["bytes"] == len(page.recorder._sound.value) and rate == RATE
    assert np.abs(heard - SUNG).max() < 2**-15


def test_the_limits_of_the_meter_reach_the_page():
    text = html.unescape(Recorder(lambda clip: ()).html())
    given = json.loads(re.search(r'data-set="(\{.*?\})"', text)[1])
    assert (given["low_db"], given["high_db"], given["longest_s"]) == (-12, -6, 1200) and not given["keeps"]
    assert "__" not in re.sub(r"<(script|style)>.*?</\1>", "", text, flags=re.DOTALL)


# ---- where it is used -------------------------------------------------------------------------------------------


def test_a_kept_take_is_loaded_as_a_file_is_and_none_is_overwritten(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    soundfile.write("first.wav", sine(180, 1.5, RATE, -12), RATE)
    own = OwnVocal(begin("09_your_own_vocal", "first.wav", tmp_path / "state"))
    page = Page(own._recorder)
    for name in ("take_2026-11-27_14-03-22.flac", "take_2026-11-27_14-03-22_2.flac"):
        page.record()
        assert own.name != name
        assert page.give("keep")["said"] == f"Kept as {name}, beside this notebook."
        assert own.name == name and own.clip == load(name) and soundfile.info(name).subtype == "PCM_24"
        assert np.abs(own.clip.samples - SUNG).max() <= 2**-24
        assert (
            f"{name} is loaded. Now run the cells below." in own._note.value
            and f"Loaded: {name}" in own._measured.value
        )
        assert own.lesson.clip == own.clip and "level" in own.report.topics


def test_a_folder_that_cant_be_written_to_is_said_and_what_was_loaded_stays(tmp_path, monkeypatch):
    soundfile.write(tmp_path / "first.wav", sine(180, 1.5, RATE, -12), RATE)
    own = OwnVocal(begin("09_your_own_vocal", tmp_path / "first.wav", tmp_path / "state"))
    monkeypatch.setattr("pathlib.Path.cwd", lambda: tmp_path / "first.wav")
    page = Page(own._recorder)
    page.record()
    one_sentence(page.give("keep")["error"], "Nothing could be kept")
    assert own.name == "first" and own._recorder.clip is not None


def test_a_sound_check_gives_its_verdicts_and_writes_nothing(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    check = SoundCheck()
    assert check.clip is None and check.verdicts == ()
    page = Page(check._recorder)
    state = page.record()
    assert check.clip.frames == RATE and [v["topic"] for v in state["verdicts"]] == [v.topic for v in check.verdicts]
    page.give("keep")
    assert list(tmp_path.iterdir()) == []
