"""Recording in a real browser, with Chromium's own fake microphone: what is kept is what was played to it, whatever goes
wrong is said in a sentence, and what was recorded until then is kept.

Most tests need no JupyterLab: the recorder's box stands in an empty page, and its Python side in this process.
"""

from __future__ import annotations

import base64
import contextlib
import shutil
from pathlib import Path

import numpy as np
import pagechecks
import pytest
import soundfile
from conftest import one_sentence, rms_db
from heard import OVER, listen
from labdriver import ROOT, chromium, open_notebook, save_notebook, set_theme, wait_for
from npmtools import npm_package
from scipy.signal import correlate

from vocomp_lab import load, shipped
from vocomp_lab.bench.recorder import Recorder, SoundCheck, take_recorder
from vocomp_lab.lessons.recording import judge_level, save_take

pytestmark = pytest.mark.ci
RATE = 44_100
"""The rate of Chromium's fake microphone, so that it changes nothing in the file that it plays."""
FAKE = ("--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream")
LESSON = ROOT / "notebooks" / "09_your_own_vocal.ipynb"


@pytest.fixture(scope="module")
def played(tmp_path_factory):
    """What the fake microphone plays, again and again: a sung verse at a good level, on its right input only."""
    clip = shipped("lesson_verse_clean").clip
    voice = np.interp(np.arange(0, clip.duration_s, 1 / RATE), np.arange(clip.frames) / clip.rate, clip.samples)
    voice *= 10 ** (-8 / 20) / np.abs(voice).max()
    path = tmp_path_factory.mktemp("microphone") / "voice.wav"
    soundfile.write(path, np.column_stack([0.001 * voice, voice]), RATE, subtype="PCM_16")
    return path


@pytest.fixture(scope="module")
def voice(played):
    return soundfile.read(played)[0][:, 1]


@pytest.fixture(scope="module")
def page(played):
    """A page of a browser whose microphone plays the voice."""
    with chromium(1280, 720, (*FAKE, f"--use-file-for-fake-audio-capture={played}")) as page:
        page.expose_function("toPython", lambda name, content: answers[0](name, base64.b64decode(content)))
        yield page


answers = [None]
"""What the page's messages go to: the Python side of the box that is on it now."""


class Box:
    """A recorder's box in an empty page, and its Python side."""

    def __init__(self, page, recorder, address="http://127.0.0.1/box", before=""):
        self.page, self.recorder, self.deaf, self.log, self.unanswered = page, recorder, False, [], []
        answers[0] = self.to_python
        html = "<!doctype html><title>box</title><link rel=icon href=data:,>"
        # In a context of its own, so that what a test changes in the page stays in it.
        page.route("**/box", lambda route: route.fulfill(body=html, content_type="text/html"))
        page.goto(address)
        page.unroute("**/box")
        if before:
            page.evaluate(before)
        self.put()

    def put(self):
        """Put the box on the page, as running its cell does."""
        self.page.evaluate(
            """([box, id, state]) => {
              document.body.replaceChildren();
              document.body.innerHTML = box.replace(/<script>.*<\\/script>/s, "")
                + `<button class="vocomp-${id}-inbox" hidden></button><div class="vocomp-${id}-state" hidden>${state}</div>`
                + `<audio class="vocomp-${id}-band"></audio><audio class="vocomp-${id}-sound"></audio>`;
              document.querySelector(`.vocomp-${id}-inbox`).onclick = () => {
                const input = document.createElement("input");
                input.type = "file";
                input.onchange = async () => {
                  const file = input.files[0], bytes = new Uint8Array(await file.arrayBuffer());
                  let text = "";
                  for (let n = 0; n < bytes.length; n += 32768) text += String.fromCharCode(...bytes.subarray(n, n + 32768));
                  const answer = await toPython(file.name, btoa(text));
                  for (const [part, data] of Object.entries(answer || {})) {
                    const element = document.querySelector(`.vocomp-${id}-${part}`);
                    if (element && part === "state") element.innerHTML = data;
                    else if (element) element.src = "data:audio/flac;base64," + data;
                  }
                };
                input.click();
              };
              const script = document.createElement("script");
              script.textContent = box.match(/<script>(.*)<\\/script>/s)[1];
              document.body.append(script);
            }""",
            [self.recorder.html(), self.recorder._id, self.recorder._line.value],
        )
        wait_for(
            self.page,
            lambda: self.part("note").inner_text() != "Run this cell for its controls and its sound.",
            "the box",
        )

    def to_python(self, name, content):
        self.log.append(name.partition("-")[0])
        if self.deaf:
            self.unanswered.append((name, content))
            return None
        given = {"name": name, "type": "", "size": len(content), "last_modified": 0, "content": memoryview(content)}
        self.recorder._inbox.set_state({"value": [given]})
        sounds = {
            part: getattr(self.recorder, f"_{part}") for part in ("band", "sound") if self.log[-1] in (part, "hear")
        }
        return {part: base64.b64encode(audio.value).decode() for part, audio in sounds.items()} | {
            "state": self.recorder._line.value
        }

    def catch_up(self):
        """Be a kernel that was busy, and answers what has come meanwhile."""
        self.deaf = False
        for name, content in self.unanswered:
            answer = self.to_python(name, content)
        self.tell(answer["state"])

    def tell(self, state=None):
        """Show the page a state: by default, what Python says now."""
        self.page.evaluate(
            "(state) => { document.querySelector('[class*=-state]').innerHTML = state; }",
            state or self.recorder._line.value,
        )

    def part(self, name):
        return self.page.locator(f".vocomp-recorder [data-part={name}]")

    def press(self, name):
        self.part(name).click()

    def said(self):
        return self.part("note").inner_text()

    def wait(self, condition, what):
        wait_for(self.page, condition, lambda: f"{what}; said: {self.said()!r} {self.part('post').inner_text()!r}", 60)

    def ask(self, what):
        return self.page.evaluate(f"document.querySelector('.vocomp-recorder').vocomp.{what}")

    def turn_on(self):
        self.press("power")
        self.wait(self.part("ready").is_visible, "the microphone")
        return self

    def record(self, seconds):
        self.press("record")
        self.wait(lambda: self.ask(f"take()?.frames / {RATE}") >= seconds, f"{seconds} s of recording")
        return self

    def stop(self):
        self.press("record")
        return self.judged()

    def judged(self):
        self.wait(lambda: self.part("verdict").inner_text(), "a verdict")
        return self.part("verdict").inner_text()

    def samples(self):
        """What the page has of the take."""
        sent = self.page.evaluate(
            """(async () => {
              const t = document.querySelector('.vocomp-recorder').vocomp.take(), reader = new FileReader();
              reader.readAsDataURL(new Blob(t.chunks));
              await new Promise((resolve) => { reader.onload = resolve; });
              return [t.frames, reader.result.split(",")[1]];
            })()"""
        )
        return np.frombuffer(base64.b64decode(sent[1]), "<f4")[: sent[0]]


def like(sound, part) -> int:
    """Where in a sound it is most like a shorter one, whatever the level."""
    sums = np.cumsum(np.concatenate([[0.0], sound**2]))
    energy = np.maximum(sums[len(part) :] - sums[: -len(part)], 1e-6)
    return int((correlate(sound, part, "valid", "fft") / np.sqrt(energy)).argmax())


def same(recorded, voice, rate=RATE):
    """How much of a take is the voice: the correlation that most of its sung stretches (0.2 s) reach at the best
    place, and the difference in level in dB there. A short time at either edge is left out. On a busy machine Chromium
    loses sound between its fake microphone and the page, 10 ms at a time, so the place may move by up to a quarter of a
    second in a take, and a stretch in which it moves doesn't count against it.
    """
    assert rate == RATE
    step, drift = rate // 5, rate // 4
    twice = np.concatenate([voice, voice, voice])  # the fake microphone goes round
    parts = {at: recorded[at : at + step] for at in range(step, len(recorded) - 2 * step, step)}
    loudest = max(parts, key=lambda at: rms_db(parts[at]))
    place = like(twice[: 2 * len(voice)], parts[loudest]) - loudest
    place += len(voice) if place < drift else 0  # so that the first stretch may have come early
    found = []
    for at, part in parts.items():
        if rms_db(part) < rms_db(parts[loudest]) - 20:
            continue
        first = place + at - drift
        there = first + like(twice[first : place + at + drift + step], part)
        played = twice[there : there + step]
        found.append((np.corrcoef(part, played)[0, 1], rms_db(part) - rms_db(played)))
    correlations, levels_db = np.array(found).T
    return np.median(correlations), np.median(levels_db)


@pytest.fixture
def kept(tmp_path):
    """A folder for kept takes, and a recorder that keeps them there."""

    def keep(clip, started):
        return f"Kept as {save_take(clip, tmp_path, started).name}."

    return take_recorder(keep), tmp_path


def test_what_is_kept_is_what_was_sung(page, kept, voice):
    recorder, folder = kept
    box = Box(page, recorder).turn_on()
    assert box.part("processing").inner_text().endswith("✓ All three are off.")
    box.wait(lambda: "good" in box.part("level").inner_text(), "the meter, before anything is recorded")
    assert box.part("channel").input_value() == "1", "the input with the voice on it was not chosen"
    assert not box.ask("take()")
    for files, seconds in ((1, 4), (2, 1.5)):
        box.record(seconds)
        assert "piece" in box.log, "the take stays in the page until its end"
        assert "Level: ✓" in box.stop(), "good, or a little quiet: it depends on the words that were on"
        assert [box.part(part).is_enabled() for part in ("listen", "keep", "again", "record")] == [
            True,
            True,
            True,
            False,
        ]
        whole = box.samples()
        box.press("keep")
        box.wait(lambda: box.said().startswith("Kept as take_"), "the file")
        paths = sorted(folder.iterdir(), key=lambda path: path.stat().st_mtime_ns)
        assert len(paths) == files and box.said() == f"Kept as {paths[-1].name}."
        info, clip = soundfile.info(paths[-1]), load(paths[-1])
        assert (info.format, info.subtype, info.samplerate, info.channels) == ("FLAC", "PCM_24", RATE, 1)
        assert np.abs(clip.samples - whole).max() <= 2**-24, "samples were lost on the way to the file"
        correlation, level_db = same(clip.samples, voice)
        assert correlation > 0.999 and abs(level_db) < 0.5, (correlation, level_db)
    assert not page.errors, page.errors


def test_the_count_in_the_band_and_the_take_that_is_listened_to(page, kept):
    """With the band, the take begins where the band's clip does: a beat and a half before its first bar."""
    box = Box(page, kept[0]).turn_on()
    assert not box.part("loud").is_visible()
    for part in ("clicks", "band"):
        box.part(part).check()
    assert "headphones" in box.part("loud").inner_text() and box.part("volume").input_value() == "-24"
    # Seen from inside the page, and with each count what the take has at that moment: a busy machine looks late from here.
    page.evaluate(
        """() => {
          window.counts = [];
          const count = document.querySelector("[data-part=count]"), take = document.querySelector(".vocomp-recorder").vocomp.take;
          new MutationObserver(() => { if (count.textContent) counts.push([count.textContent, take().frames]); })
            .observe(count, { childList: true, characterData: true, subtree: true });
        }"""
    )
    box.press("record")
    box.wait(lambda: page.evaluate("counts.at(-1)?.[0]") == "sing", "the first bar")
    counts = page.evaluate("counts")
    assert [count for count, _ in counts] == ["1", "2", "3", "4", "sing"]
    frames, beat_s = counts[-1][1], 60 / 76
    # Not from the count-in on, which is 2.5 beats more, nor half a beat early as without the band.
    assert 1.5 * beat_s - 0.4 < frames / RATE < 1.5 * beat_s + 1.2, frames / RATE
    assert page.evaluate("vocompSpeaker.owner() === document.querySelector('.vocomp-recorder').vocomp")
    box.stop()
    assert page.evaluate("vocompSpeaker.owner()") is None
    for _ in range(2):
        box.press("listen")
        box.wait(lambda: box.ask("mode()") == "listening", "the take to be heard")
        assert box.part("listen").inner_text() == "Stop listening"
        assert not box.part("device").is_enabled(), "another microphone would not be opened now"
        box.press("listen")
        assert box.ask("mode()") == "on"
    box.press("again")
    assert (
        box.said() == "Ready: press Record." and box.part("record").is_enabled() and not box.part("taken").is_visible()
    )
    box.wait(lambda: box.recorder.clip is None, "Python to forget it")
    assert not page.errors, page.errors


def test_what_sounds_here_starts_quiet_follows_the_slider_and_ends_with_stop(played, kept):
    with other_page((*FAKE, f"--use-file-for-fake-audio-capture={played}")) as page:
        listen(page)
        box = Box(page, kept[0]).turn_on()
        assert page.evaluate("heard.most()[0]") == 0, "the microphone must not be heard"
        for part in ("clicks", "band"):
            box.part(part).check()
        box.record(2.5)
        quiet = page.evaluate("heard.most()[0]")
        loudest = 0.25 + np.abs(shipped("backing").clip.samples).max()
        assert 0.001 < quiet <= OVER * loudest * 10 ** (-24 / 20), quiet
        box.stop()
        box.wait(lambda: page.evaluate("heard.last(20)") == 0, "silence after Stop")
        page.evaluate("heard.clear()")
        box.press("listen")
        box.wait(lambda: page.evaluate("heard.most()[0]") > 0.001, "the take")
        page.wait_for_timeout(1000)
        assert page.evaluate("heard.most()[0]") <= OVER * np.abs(box.recorder.clip.samples).max() * 10 ** (-24 / 20)
        box.part("volume").fill("-40")
        box.wait(lambda: 0 < page.evaluate("heard.last(20)") <= OVER * 10 ** (-40 / 20), "the slider")
        # Another player of the page sets its volume, which is the page's.
        page.evaluate("vocompSpeaker.setVolume(-20); for (const each of vocompSpeaker.players) each.showVolume()")
        box.wait(lambda: page.evaluate("heard.last(20)") > OVER * 10 ** (-40 / 20), "the other player's slider")
        assert box.part("volume").input_value() == "-20" and box.part("volume-text").inner_text() == "−20 dB"
        box.press("listen")
        box.wait(lambda: page.evaluate("heard.last(20)") == 0, "silence")


def test_whoever_sings_only_after_record_was_pressed_gets_the_input_with_the_voice(page, kept, voice):
    """The meter has heard nothing by then, so that the first input is taken: the other one is in the end."""
    silence = """() => {
      const plain = AudioContext.prototype.createMediaStreamSource;
      AudioContext.prototype.createMediaStreamSource = function (stream) {
        const knob = (window.knob = this.createGain());
        knob.gain.value = 0;
        plain.call(this, stream).connect(knob);
        return knob;
      };
    }"""
    box = Box(page, kept[0], before=silence).turn_on()
    box.record(0.1)
    assert box.part("channel").input_value() == "0"
    page.evaluate("knob.gain.value = 1")
    box.wait(lambda: box.ask(f"take().frames / {RATE}") >= 3.5 and "piece" in box.log, "a piece of the first input")
    assert "✓ good" in box.stop() and box.part("channel").input_value() == "1"
    assert box.log.count("begin") == 2
    correlation, level_db = same(box.recorder.clip.samples[RATE:], voice)
    assert correlation > 0.999 and abs(level_db) < 0.5


def test_another_player_ends_the_take_and_what_was_sung_stays(page, kept):
    box = Box(page, kept[0]).turn_on().record(1)
    page.evaluate("vocompSpeaker.take({ stop() {}, heldBack() {}, showVolume() {} })")
    assert "Another player was started" in box.said()
    box.judged()
    assert box.part("keep").is_enabled()


def test_two_boxes_of_a_page_have_each_a_microphone_and_a_take_of_its_own(page, kept):
    other = SoundCheck()._recorder
    Box(page, kept[0])
    page.evaluate(
        """([box, id, state]) => {
          document.body.insertAdjacentHTML("beforeend", box.replace(/<script>.*<\\/script>/s, "")
            + `<div class="vocomp-${id}-state" hidden>${state}</div>`);
          const script = document.createElement("script");
          script.textContent = box.match(/<script>(.*)<\\/script>/s)[1];
          document.body.append(script);
        }""",
        [other.html(), other._id, other._line.value],
    )
    ids = [kept[0]._id, other._id]
    one, two = (lambda name, id=id: page.locator(f"#vocomp-recorder-{id} [data-part={name}]") for id in ids)

    def ask(what):
        return page.evaluate(f"[...document.querySelectorAll('.vocomp-recorder')].map((root) => root.vocomp.{what})")

    wait_for(page, one("power").is_enabled, "the first box")
    one("power").click()
    wait_for(page, one("ready").is_visible, "the first box's microphone")
    assert ask("mode()") == ["on", "off"] and not two("ready").is_visible()
    wait_for(page, two("power").is_enabled, "the second box")
    two("power").click()
    wait_for(page, two("ready").is_visible, "the second box's microphone")
    one("record").click()
    wait_for(page, lambda: ask("take()?.frames > 0")[0], "a take in the first box")
    assert ask("mode()") == ["recording", "on"]
    two("record").click()
    wait_for(page, lambda: ask("take()?.frames > 0")[1], "a take in the second box")
    assert ask("mode()") == ["on", "recording"] and len(set(ask("take().token"))) == 2
    assert "Another player was started" in one("note").inner_text()
    wait_for(page, one("verdict").inner_text, "the first take's verdict")
    one("power").click()
    assert ask("mode()") == ["off", "recording"] and two("ready").is_visible()
    assert not page.errors, page.errors


def test_a_microphone_that_goes_away_ends_the_take_and_what_was_sung_stays(page, kept, voice):
    box = Box(page, kept[0]).turn_on().record(3)
    page.evaluate(
        "document.querySelector('.vocomp-recorder').vocomp.stream().getAudioTracks()[0].dispatchEvent(new Event('ended'))"
    )
    assert box.said().startswith("The microphone was disconnected, and that ended the take. Recorded: ")
    assert not box.part("ready").is_visible() and box.part("power").inner_text() == "Turn on the microphone"
    box.judged()
    box.press("listen")
    box.wait(lambda: box.ask("mode()") == "listening", "the take to be heard without a microphone")
    box.press("keep")
    box.wait(lambda: box.said().startswith("Kept as"), "the file")
    (path,) = kept[1].iterdir()
    correlation, _ = same(load(path).samples, voice)
    assert correlation > 0.999


def test_a_take_ends_by_itself_at_the_workbooks_limit(page, kept, monkeypatch):
    monkeypatch.setattr("vocomp_lab.bench.recorder.LONGEST_MIN", 1 / 30)
    box = Box(page, kept[0]).turn_on()
    box.press("record")
    box.wait(lambda: "is the most that the workbook takes" in box.said(), "the limit")
    box.judged()
    assert box.recorder.clip.frames == 2 * RATE


@pytest.mark.parametrize(("gain", "told"), [(8.0, "too loud"), (0.01, "too quiet")])
def test_a_take_at_a_wrong_level_is_told_at_once_with_what_to_turn(page, kept, gain, told):
    """The input is turned in the page, before the worklet: the fake microphone has no knob."""
    box = Box(
        page,
        kept[0],
        before=f"""() => {{
          const plain = AudioContext.prototype.createMediaStreamSource;
          AudioContext.prototype.createMediaStreamSource = function (stream) {{
            const source = plain.call(this, stream), knob = this.createGain(), clip = this.createWaveShaper();
            knob.gain.value = {gain};
            clip.curve = new Float32Array([-1, 0, 1]);
            source.connect(knob).connect(clip);
            return clip;
          }};
        }}""",
    ).turn_on()
    box.wait(lambda: told in box.part("level").inner_text(), "the meter")
    verdict = box.record(3).stop()
    assert verdict.startswith(f"Level: ▸ {told}. ") and "turn the input" in verdict


def test_a_microphone_with_one_input_is_told_to_be_cut_off_after_one_with_two(page, kept):
    """Of the one before the second input was used: the number of the input stays."""
    box = Box(
        page,
        kept[0],
        before="""() => {
          const plain = AudioContext.prototype.createMediaStreamSource;
          AudioContext.prototype.createMediaStreamSource = function (stream) {
            const source = plain.call(this, stream);
            if (!window.single) return source;
            const knob = this.createGain(), clip = this.createWaveShaper();
            Object.assign(knob, { channelCount: 1, channelCountMode: "explicit" }).gain.value = 20;
            clip.curve = new Float32Array([-1, 0, 1]);
            source.connect(knob).connect(clip);
            return clip;
          };
        }""",
    ).turn_on()
    box.wait(lambda: "good" in box.part("level").inner_text() and box.part("channel").input_value() == "1", "the voice")
    box.press("power")
    page.evaluate("window.single = true")
    box.turn_on()
    box.wait(lambda: "cut off" in box.part("level").inner_text(), "the meter")
    assert not box.part("channel").is_visible(), "there is nothing to choose"


def test_the_time_of_a_take_goes_on_to_the_next_minute(page, kept):
    box = Box(page, kept[0])
    page.evaluate("window.shown = vocompRecorderBox(document.querySelector('.vocomp-recorder'), { plan: [] })")
    for seconds, time in ((0.3, "0:00.3"), (59.97, "0:59.9"), (60.0, "1:00.0"), (605.25, "10:05.2")):
        # In one go: the box itself takes it away again.
        text = page.evaluate(
            f"(shown.showTime({seconds}, null), document.querySelector('[data-part=time]').textContent)"
        )
        assert text == time
    assert box.ask("mode()") == "off"


def test_a_sound_check_asks_for_silence_then_singing_and_judges_both(page):
    check = SoundCheck()
    box = Box(page, check._recorder).turn_on()
    asked = []
    box.press("record")
    box.wait(lambda: asked.append(box.said()) or box.part("verdict").inner_text(), "the verdicts")
    order = [text for n, text in enumerate(asked) if text not in asked[:n]]
    assert [text.partition(":")[0].partition(",")[0] for text in order[:2]] == ["Keep still", "Now sing"], order
    assert check.clip.frames == 9 * RATE and {verdict.topic for verdict in check.verdicts} >= {"Level", "Noise"}
    assert "Noise:" in box.part("verdict").inner_text() and not box.part("keep").is_visible()


def test_the_meter_tells_its_level_in_words_and_seldom(page, kept):
    box = Box(page, kept[0]).turn_on()
    meter = box.part("meter")
    box.wait(lambda: "dBFS: good" in (meter.get_attribute("aria-valuetext") or ""), "the meter's words")
    page.evaluate(
        """() => { window.told = []; new MutationObserver(() => told.push(performance.now())).observe(
          document.querySelector('[data-part=meter]'), { attributes: true, attributeFilter: ['aria-valuetext'] }); }"""
    )
    box.wait(lambda: page.evaluate("told.length") >= 2, "two readings")
    assert np.diff(page.evaluate("told")).min() > 1000
    assert page.evaluate("document.querySelector('[data-part=meter]').closest('[role=status]')") is None


# ---- Python that is busy or gone, pages that are gone -----------------------------------------------------------


def test_a_busy_kernel_loses_nothing(page, kept, voice):
    box = Box(page, kept[0]).turn_on()
    box.deaf = True
    box.record(4)
    box.wait(lambda: "The kernel isn't answering yet" in box.part("post").inner_text(), "the sentence")
    one_sentence(box.part("post").inner_text())
    box.press("record")
    assert box.part("listen").is_enabled() and not box.part("keep").is_enabled()
    # A kernel that was busy answers what it was sent, at last.
    box.catch_up()
    box.judged()
    assert box.part("post").inner_text() == "" and box.said().startswith("Recorded: ")
    box.press("keep")
    box.wait(lambda: box.said().startswith("Kept as"), "the file")
    (path,) = kept[1].iterdir()
    correlation, _ = same(load(path).samples, voice)
    assert correlation > 0.999


def test_a_kernel_that_is_gone_leaves_the_take_in_the_page_to_save_or_to_hand_to_the_next(page, kept, monkeypatch):
    monkeypatch.setattr("vocomp_lab.bench.recorder._GONE_S", 2)
    recorder, folder = kept
    box = Box(page, recorder).turn_on()
    box.deaf = True
    box.record(4)
    box.press("record")
    box.wait(lambda: "The kernel isn't answering, but" in box.part("post").inner_text(), "the sentence")
    whole = box.samples()
    with page.expect_download() as download:
        box.press("save")
    saved, rate = soundfile.read(download.value.path(), dtype="float32")
    assert rate == RATE and np.array_equal(saved, whole)
    # The kernel comes back: first it is asked again, then its cell is run again.
    box.deaf = False
    box.press("resend")
    box.judged()
    fresh = Recorder(
        lambda clip: (judge_level(clip),), lambda clip, started: f"Kept as {save_take(clip, folder, started).name}."
    )
    box.recorder = fresh
    box.put()
    box.wait(lambda: "was left here" in box.said(), "the take to be found by the new box")
    box.judged()
    box.press("keep")
    box.wait(lambda: box.said().startswith("Kept as"), "the file")
    (path,) = folder.iterdir()
    assert np.abs(load(path).samples - whole).max() <= 2**-24
    assert page.evaluate("vocompTakes.held.size") == 0


def test_a_question_that_was_never_answered_does_not_disturb_the_next_take(page, kept, monkeypatch):
    monkeypatch.setattr("vocomp_lab.bench.recorder._GONE_S", 1)
    box = Box(page, kept[0]).turn_on()
    box.part("band").check()
    box.deaf = True  # a kernel that is started afresh never gets what it was asked before
    box.press("record")
    box.wait(lambda: box.said().startswith("The band can't be loaded"), "the sentence")
    one_sentence(box.said())
    box.deaf = False
    box.part("band").uncheck()
    box.record(1)
    assert "✓ good" in box.stop()
    page.wait_for_timeout(200)
    assert box.part("post").inner_text() == "" and not box.part("save").is_visible()
    box.press("keep")
    box.wait(lambda: box.said().startswith("Kept as"), "the file")


def test_a_cell_run_again_in_the_middle_of_a_take_ends_it_and_the_new_box_has_it(page, kept):
    box = Box(page, kept[0]).turn_on().record(2)
    box.put()
    box.wait(lambda: "was left here" in box.said(), "the take to be found by the new box")
    box.judged()
    assert box.part("keep").is_enabled() and box.recorder.clip.duration_s >= 2


def test_a_box_that_the_page_takes_out_and_puts_back_records_on_and_after_a_while_sleeps(page, kept):
    """JupyterLab takes cells out of the page that are out of sight."""
    box = Box(page, kept[0]).turn_on().record(0.5)
    page.evaluate(
        "window.root = document.querySelector('.vocomp-recorder'); root.before('', window.place = new Comment())"
    )
    out, back = "root.remove()", "place.after(root)"
    page.evaluate(f"new Promise((done) => {{ {out}; setTimeout(() => {{ {back}; done(); }}, 500); }})")
    frames = box.ask("take().frames")
    box.wait(lambda: box.ask("mode()") == "recording" and box.ask("take().frames") > frames, "more of the same take")
    page.evaluate(out)
    wait_for(page, lambda: page.evaluate("root.vocomp.mode()") == "off", "the box to let the microphone go")
    assert page.evaluate("root.vocomp.stream() === null && !vocompSpeaker.players.has(root.vocomp)")
    page.evaluate(back)
    box.judged()
    assert box.part("keep").is_enabled() and page.evaluate("vocompSpeaker.players.has(root.vocomp)")
    box.press("again")
    box.turn_on().record(0.5)
    assert "Level: " in box.stop()
    assert not page.errors, page.errors


def test_a_page_is_only_held_back_from_leaving_where_a_take_would_be_lost(page, kept):
    asks = """(() => {
      const event = new Event("beforeunload", { cancelable: true });
      dispatchEvent(event);
      return event.defaultPrevented;
    })()"""
    for recorder, held_back in ((SoundCheck()._recorder, False), (kept[0], True)):
        box = Box(page, recorder).turn_on()
        assert not page.evaluate(asks)
        box.record(0.5).press("record")
        assert page.evaluate(asks) is held_back
        said = box.part("still-on").inner_text()
        assert said.startswith("The microphone is still on.") and "Turn off the microphone" in said
        assert "ress Again to repeat it" in box.said() and not box.part("record").is_enabled()
        box.press("power")
        assert box.part("still-on").inner_text() == ""
        assert box.turn_on().said() == "Press Again to repeat the take."


def test_a_page_reloaded_in_the_middle_of_a_take_finds_what_came_over(page, kept, voice):
    box = Box(page, kept[0]).turn_on().record(4)
    box.wait(lambda: box.recorder._frames > 2.9 * RATE, "a piece to come over")
    came = box.recorder._frames
    page.once("dialog", lambda dialog: dialog.accept())
    again = Box(page, kept[0])
    again.wait(lambda: "left from before this page was loaded" in again.said(), "what came over")
    again.judged()
    assert again.recorder.clip.frames >= came
    again.press("listen")
    again.wait(lambda: again.ask("mode()") == "listening", "it to be heard from Python")
    again.wait(lambda: "hear" in again.log, "it to be fetched")
    keep = again.recorder._keep

    def refuse(*_):
        raise ValueError("take: the disk is full.")

    again.recorder._keep = refuse
    again.press("keep")
    again.wait(
        lambda: again.part("post").inner_text() == "The disk is full. The kernel still has the take.", "what is said"
    )
    again.recorder._keep = keep
    again.press("keep")
    again.wait(lambda: again.said().startswith("Kept as"), "the file")
    (path,) = kept[1].iterdir()
    correlation, _ = same(load(path).samples, voice)
    assert correlation > 0.999


def another_page_begins(box, told):
    """Another page begins a take. Whether this one is told of it before it does anything else."""
    box.to_python(f"begin-0-{box.recorder._id}-beef-1", b'{"rate": 48000, "started": ""}')
    if told:
        box.tell()
        box.page.wait_for_timeout(500)  # the page looks at the state only now and then


@pytest.mark.parametrize("told", [True, False])
def test_a_take_that_another_page_has_pushed_out_goes_over_again_when_it_is_kept(page, kept, told):
    box = Box(page, kept[0]).turn_on().record(1)
    box.stop()
    whole = box.samples()
    another_page_begins(box, told)
    box.press("keep")
    box.wait(lambda: box.said().startswith("Kept as"), "the file")
    (path,) = kept[1].iterdir()
    assert np.abs(load(path).samples - whole).max() <= 2**-24


@pytest.mark.parametrize("told", [True, False])
def test_a_take_that_only_python_had_and_another_page_has_pushed_out_is_said_to_be_gone(page, kept, told):
    box = Box(page, kept[0])
    for kind, content in (("begin-0", b'{"rate": 48000, "started": ""}'), ("piece-1", bytes(4 * RATE)), ("end-0", b"")):
        box.to_python(f"{kind}-{box.recorder._id}-abc-1", content)
    box.tell()
    box.wait(lambda: "left from before this page was loaded" in box.said(), "what Python has")
    another_page_begins(box, told)
    gone = "Another page has begun a take since, and the kernel no longer has this one."
    if not told:
        box.press("keep")
    for again in ("resend", "again"):
        box.wait(lambda: box.part("post").inner_text() == gone and not box.said(), "that it is gone")
        assert not box.part("keep").is_enabled()
        box.press(again)
    box.wait(lambda: box.said() == "Turn on the microphone to sing it again.", "a fresh start")
    assert not list(kept[1].iterdir())


# ---- browsers and addresses that can't --------------------------------------------------------------------------


@contextlib.contextmanager
def other_page(flags=()):
    with chromium(1280, 720, flags) as page:
        page.expose_function("toPython", lambda name, content: answers[0](name, base64.b64decode(content)))
        yield page


def refusal(box, *parts):
    box.press("power")
    box.wait(lambda: "Waiting" not in box.said() and box.ask("mode()") == "off" and box.said(), "the refusal")
    one_sentence(box.said(), *parts)
    assert box.part("power").is_enabled() and not box.part("ready").is_visible()


def test_a_refused_permission_is_said(kept):
    with other_page(FAKE[:1]) as page:
        refusal(Box(page, kept[0]), "won't let this page use the microphone", "allow it")


def test_no_microphone_is_said(kept):
    with other_page(FAKE[1:]) as page:
        refusal(Box(page, kept[0]), "No microphone was found", "plug one in")


def test_an_insecure_address_is_said_and_nothing_is_offered(kept):
    with other_page(("--disable-features=HttpsUpgrades,HttpsFirstBalancedModeAutoEnable",)) as page:
        box = Box(page, kept[0], "http://school.example/box")
        assert page.evaluate("window.isSecureContext") is False
        assert "https" in one_sentence(box.said()) and not box.part("power").is_visible()


def test_a_browser_without_audio_worklets_is_told_so(kept):
    with other_page() as page:
        box = Box(page, kept[0], before="() => { delete window.AudioWorkletNode; }")
        assert "audio worklets" in one_sentence(box.said()) and not box.part("power").is_visible()


def test_a_box_that_goes_while_the_browser_asks_leaves_nothing_on(page, kept):
    box = Box(
        page,
        kept[0],
        before="""() => {
          window.made = [];
          const plain = navigator.mediaDevices.getUserMedia.bind(navigator.mediaDevices);
          navigator.mediaDevices.getUserMedia = async (wanted) => {
            await new Promise((resolve) => { window.allow = resolve; });
            const stream = await plain(wanted);
            made.push(stream);
            return stream;
          };
          window.AudioContext = class extends AudioContext { constructor(...given) { super(...given); made.push(this); } };
        }""",
    )
    box.press("power")
    box.wait(lambda: box.said().startswith("Waiting for the microphone"), "the browser to ask")
    page.evaluate("document.body.replaceChildren()")
    wait_for(page, lambda: page.evaluate("vocompSpeaker.players.size === 0"), "the box to notice")
    page.evaluate("allow()")
    off = "made.length > 0 && made.every((each) => each.state === 'closed' || each.active === false)"
    wait_for(page, lambda: page.evaluate(off), "microphone and context to be off")
    assert not page.errors, page.errors


def test_a_microphone_that_goes_while_it_is_turned_on_is_off(page, kept):
    box = Box(
        page,
        kept[0],
        before="""() => {
          const plain = navigator.mediaDevices.enumerateDevices.bind(navigator.mediaDevices);
          navigator.mediaDevices.enumerateDevices = async () => {
            document.querySelector(".vocomp-recorder").vocomp.stream().getAudioTracks()[0].dispatchEvent(new Event("ended"));
            return plain();
          };
        }""",
    )
    box.press("power")
    box.wait(lambda: box.said().startswith("The microphone was disconnected"), "the sentence")
    page.wait_for_timeout(200)
    assert box.said().startswith("The microphone was disconnected") and box.ask("mode()") == "off"
    assert box.part("power").inner_text() == "Turn on the microphone" and not box.part("ready").is_visible()


def test_a_dynamics_processor_that_stays_on_is_named(page, kept):
    before = """(change) => {
      const plain = MediaStreamTrack.prototype.getSettings;
      MediaStreamTrack.prototype.getSettings = function () { return (%s)(plain.call(this)); };
    }"""
    for change, told in (
        ("(s) => ({ ...s, autoGainControl: true })", "▸ Automatic gain control can't be turned off here"),
        ("({ noiseSuppression, ...s }) => s", "doesn't say whether noise suppression is off"),
    ):
        box = Box(page, kept[0], before=before % change).turn_on()
        assert told in box.part("processing").inner_text() and "All three" not in box.part("processing").inner_text()


# ---- in JupyterLab: the lessons ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def lesson(lab, page):
    """Lesson 09 in the browser with the microphone, run as far as the box."""
    home = lab.folder / "sung"
    home.mkdir()
    path = Path(shutil.copy(LESSON, home))
    open_notebook(page, lab.address, lab.token, f"sung/{path.name}")
    page.errors.clear()
    pagechecks.run_cell(page, code_places(path)[0])
    yield pagechecks.OpenPage(page, path.stem, path)
    lab.close_kernels()


def code_places(path):
    return [place for place, source in enumerate(pagechecks.cell_sources(path)) if source]


def box_in(page):
    return lambda name: page.locator(f".vocomp-recorder [data-part={name}]")


def test_lesson_09_goes_through_with_a_take_that_is_sung_into_it(lesson, page, voice):
    part = box_in(page)
    wait_for(page, part("power").is_enabled, "the box")
    part("power").click()
    wait_for(page, part("ready").is_visible, "the microphone")
    part("record").click()
    wait_for(page, lambda: part("time").inner_text() >= "0:08", "eight seconds of recording")
    part("record").click()
    wait_for(page, lambda: part("verdict").inner_text(), "the verdict")
    part("keep").click()
    wait_for(page, lambda: part("note").inner_text().startswith("Kept as take_"), "the file")
    (path,) = lesson.path.parent.glob("take_*.flac")
    told = page.locator(".vocomp-own[role=status]").first.inner_text()
    assert told == f"{path.name} is loaded. Now run the cells below. All other lessons are about it, too."
    assert soundfile.info(path).subtype == "PCM_24"
    correlation, level_db = same(load(path).samples, voice, load(path).rate)
    assert correlation > 0.999 and abs(level_db) < 0.5
    _, first, *below = code_places(lesson.path)
    assert pagechecks.run_cell(page, first).startswith(path.name)
    for place in below:
        assert "Traceback" not in pagechecks.run_cell(page, place)
    lesson.benches = pagechecks.benches(page)
    lesson.no_trouble()
    page.get_by_role("button", name="Write the files", exact=True).click()
    wait_for(page, lambda: list(lesson.path.parent.glob("my_vocal/settings.html")), "the files")
    exported = load(lesson.path.parent / "my_vocal" / "vocal.wav")
    assert exported.frames == load(path).frames


def test_reloaded_the_box_is_there_again_and_records(lesson, page):
    save_notebook(page, lesson.path)
    page.reload()
    part = box_in(page)
    wait_for(page, part("power").is_enabled, "the box")
    part("power").click()
    wait_for(page, lambda: "dBFS" in part("level").inner_text(), "the meter")


def test_it_is_accessible_and_goes_by_keyboard_in_both_themes(lesson, page):
    """axe-core 4.14.1, rules of WCAG 2.1 A and AA, on the box with everything in it on show."""
    part = box_in(page)
    part("band").focus()
    page.keyboard.press("Space")
    part("record").focus()
    page.keyboard.press("Enter")
    wait_for(page, lambda: part("time").inner_text() >= "0:02", "two seconds of recording")
    page.keyboard.press("Enter")
    wait_for(page, lambda: part("verdict").inner_text(), "the verdict")
    focused = "document.activeElement.dataset.part"
    assert page.evaluate(focused) == "listen"
    page.keyboard.press("Tab")
    assert page.evaluate(focused) == "keep"
    page.add_script_tag(content=(npm_package("axe-core") / "axe.min.js").read_text("utf-8"))
    for dark in (False, True):
        set_theme(page, dark)
        found = page.evaluate(
            """async () => (await axe.run(document.querySelector(".vocomp-recorder"),
              { runOnly: { type: "tag", values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"] } }))
              .violations.flatMap((rule) => rule.nodes.map((node) => `${rule.id}: ${node.html.slice(0, 120)}`))"""
        )
        assert not found, found
    part("keep").focus()
    page.keyboard.press("Enter")
    wait_for(page, lambda: part("note").inner_text().startswith("Kept as take_"), "the file")
    assert page.evaluate(focused) == "record"
