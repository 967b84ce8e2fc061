"""The sound that the page makes, held to what Python makes of the same clip with the same settings.

The worklet runs in an OfflineAudioContext of a real browser, on settings drawn from all of the sliders' stops and menus.
"""

from __future__ import annotations

import base64
import json
import math
import random
from importlib import resources

import numpy as np
import pytest
from conftest import rms_db
from labdriver import chromium

from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.meters import reduction_needle
from vocomp_lab.bench.band import MIX_LUFS, mix_gains
from vocomp_lab.bench.live import code_widget, needle_coefficients, page_chain
from vocomp_lab.lessons.controls import CONTROLS, Choice
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.clip_gain import ClipGain, GainRegion
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.deesser import DeEsser
from vocomp_lab.processors.character import FetCompressor, OptoCompressor
from vocomp_lab.processors.filters import HighPass, Peaking
from vocomp_lab.processors.gain import Gain
from vocomp_lab.processors.rides import FaderRide, RidePoint
from vocomp_lab.sound.audio import Clip

ALLOWED = 1e-5
"""Of full scale: five times the last bit of a 16-bit file."""

_PAGE = """<!doctype html><title>Live</title><span hidden class="vocomp-live-code"></span><script>
const floats = (text) => new Float32Array(Uint8Array.from(atob(text), (c) => c.charCodeAt(0)).buffer);
const text = (values) => {
  const bytes = new Uint8Array(values.buffer, values.byteOffset, values.byteLength);
  let out = "";
  for (let n = 0; n < bytes.length; n += 30000) out += String.fromCharCode(...bytes.subarray(n, n + 30000));
  return btoa(out);
};
const infinite = (spec) => ({ ...spec, stages: spec.stages.map((stage) =>
  Object.fromEntries(Object.entries(stage).map(([field, value]) => [field, value === "inf" ? Infinity : value]))) });
// Play a clip through a chain in the worklet, as fast as the browser can. `changes` are [second, spec]; `from` is the frame of the clip
// to start at, `loop` the frames to go round in; `band` is heard with it, and a spec's `band_at` says where in it the clip begins.
const bufferOf = (channels, rate) => {
  const buffer = new AudioBuffer({ length: channels[0].length, numberOfChannels: channels.length, sampleRate: rate });
  channels.forEach((channel, c) => buffer.copyToChannel(channel, c));
  return buffer;
};
let renders = 0;
window.render = async ({ clip, rate, spec, frames, from = 0, loop = null, changes = [], band = [] }) => {
  const channels = clip.map(floats), outputs = 3 * channels.length + band.length, context = new OfflineAudioContext(outputs, frames, rate);
  const name = `clip${++renders}`, told = (spec) => ({ ...infinite(spec), band: band.length ? { id: name + "-band", channels: band.length, at: spec.band_at || 0 } : null });
  await vocompLive.open(context);
  await vocompLive.shelve(context, name, async () => bufferOf(channels, rate));
  if (band.length) await vocompLive.shelve(context, name + "-band", async () => bufferOf(band.map(floats), rate), true);
  const [here, again] = await Promise.all([from, loop ? loop[0] : 0].map((at, n) => vocompLive.heldAt(n, name, infinite(spec), at)));
  const meters = [], merger = context.createChannelMerger(outputs), gains = {};
  let taken = null, failed = false;
  const source = vocompLive.source(name, told(spec), here.held, {
    loopHeld: again.held, channels: channels.length, tracks: ["before", "after", "removed"], heard: (meter) => meters.push(meter), ended: () => {},
    taken: () => taken(), failed: () => { failed = true; },
  });
  ["before", "after", "removed"].forEach((name, n) => {
    const splitter = context.createChannelSplitter(channels.length);
    channels.forEach((_, c) => splitter.connect(merger, c, n * channels.length + c));
    gains[name] = splitter;
  });
  gains.band = context.createChannelSplitter(Math.max(band.length, 1));
  band.forEach((_, c) => gains.band.connect(merger, c, 3 * channels.length + c));
  source.start(context, gains, 0, from / rate, loop && loop.map((frame) => frame / rate));
  merger.connect(context.destination);
  for (const [second, changed] of changes) {
    context.suspend(second).then(async () => {
      const arrived = new Promise((resolve) => { taken = resolve; });
      source.set(told(changed));
      await arrived; // a message takes a moment to the worklet
      context.resume();
    });
  }
  const done = await context.startRendering();
  const measured = () => meters.reduce((sum, { frames }) => sum + frames, 0);
  for (let tries = 0; tries < 200 && !failed && measured() < Math.min(frames, channels[0].length - from) - rate / 15; tries++) await new Promise((resolve) => setTimeout(resolve, 10));
  return { failed, sounds: Array.from({ length: done.numberOfChannels }, (_, c) => text(done.getChannelData(c))), meters };
};
// What the loudspeaker makes of a sound, in one of the ways to listen, as fast as the browser can.
window.throughSpeaker = async ({ sound, rate, way, first, frames }) => {
  const context = new OfflineAudioContext(2, frames, rate), Plain = window.AudioContext;
  window.AudioContext = function () { return context; };
  const speaker = freshSpeaker();
  speaker.setVolume(0);
  if (first) speaker.listen(way);
  speaker.take({ stop() {}, heldBack() {} });
  await speaker.wake(rate + 1); // a context like this one resumes only once it has begun
  window.AudioContext = Plain;
  speaker.change(() => 0, null, speaker.buffers({ sound: bufferOf(sound.map(floats), rate) }, () => {}), { sound: 1 });
  if (!first) speaker.listen(way);
  const done = await context.startRendering();
  return [0, 1].map((c) => text(done.getChannelData(c)));
};
</script>"""


@pytest.fixture(scope="module")
def page():
    code = code_widget().value.removeprefix("<span>").removesuffix("</span>")
    folder = resources.files("vocomp_lab.bench")
    live, band, speaker = (folder.joinpath(f"{name}.js").read_text("utf-8") for name in ("live", "band", "speaker"))
    # Each measurement has a loudspeaker of its own.
    speaker = f"window.freshSpeaker = () => {{ delete window.vocompSpeaker; {speaker} return window.vocompSpeaker; }};"
    body = _PAGE.replace('vocomp-live-code"></span>', f'vocomp-live-code">{code}</span>')
    body += "".join(f"<script>{script}</script>" for script in (live, band, speaker))
    with chromium(600, 400) as page:
        page.route("http://localhost/live", lambda route: route.fulfill(body=body, content_type="text/html"))
        page.goto("http://localhost/live")
        yield page
        assert not page.errors, page.errors


def spec_of(chain: Chain, clip: Clip, first=0, last=-1) -> dict:
    names = [name for name, _ in chain.stages]
    result = chain.apply(clip)
    spec = page_chain(chain, result, names[first], names[last], names[last])
    return spec | {"needle": needle_coefficients(clip.rate), "match": 1.0, "measured": True}


def sent(clip: Clip) -> list[str]:
    return [base64.b64encode(column.astype(np.float32).tobytes()).decode() for column in clip.columns.T]


def render(page, clip: Clip, spec: dict, frames=None, fails=False, band: Clip | None = None, **more):
    """The three tracks, and that of the band if there is one, each of shape (frames, channels), and what the meters said."""
    job = {"clip": sent(clip), "rate": clip.rate, "spec": spec, "frames": frames or clip.frames, **more}
    job["band"] = sent(band) if band else []
    answer = page.evaluate("job => render(JSON.parse(job))", json.dumps(job))
    assert answer["failed"] is fails
    columns = [np.frombuffer(base64.b64decode(text), np.float32) for text in answer["sounds"]]
    voice, under = np.array(columns[: 3 * clip.channels]), columns[3 * clip.channels :]
    tracks = voice.reshape(3, clip.channels, -1).transpose(0, 2, 1).astype(float)
    tracks = dict(zip(("before", "after", "removed"), tracks)) | {"band": np.array(under).T.astype(float)}
    return tracks, answer["meters"]


def drawn_clip(rng, rate: int, channels: int, seconds: float = 1.5) -> Clip:
    """Bursts, tones, hiss and silence, as floats of single precision."""
    frames = int(seconds * rate)
    t = np.arange(frames) / rate
    loud = np.repeat(rng.choice([0.0, 0.02, 0.2, 0.9], frames // (rate // 8) + 1), rate // 8)[:frames]
    tones = sum(np.sin(2 * np.pi * f * t + rng.uniform(0, 6)) for f in rng.uniform(60, min(9000, rate / 2.2), 4)) / 4
    columns = [loud * (tones + rng.normal(0, rng.uniform(0.01, 0.3), frames)) for _ in range(channels)]
    samples = np.array(columns).T.astype(np.float32).astype(float)
    return Clip(samples[:, 0] if channels == 1 else samples, rate)


def drawn_processor(kind, draw: random.Random, rate: int, seconds: float):
    """One with each setting at some stop of its control."""
    settings = {}
    for control in CONTROLS[kind]:
        values = [v for _, v in control.options] if isinstance(control, Choice) else control.stops()
        fits = [v for v in values if "_hz" not in control.field or v is None or v < 0.45 * rate]
        settings[control.field] = draw.choice(fits or [0.3 * rate])
    if "ratio" in settings and draw.random() < 0.2:
        settings["ratio"] = math.inf
    if settings.get("topology") == "feedback":
        settings["ballistics"] = "branching"
    if kind is ClipGain:
        edges = sorted(draw.uniform(0, 1.2 * seconds) for _ in range(6))
        edges[0] = draw.choice([0.0, edges[0]])
        pairs = list(zip(edges, edges[1:]))
        settings["regions"] = [GainRegion(a, b, draw.uniform(-20, 12)) for a, b in draw.sample(pairs, 3) if b > a]
    if kind is FaderRide:
        first = draw.choice([0.0, 0.1])
        settings["points"] = [
            RidePoint(first + at * 0.2 * seconds, draw.uniform(-24, 12)) for at in range(draw.randrange(1, 7))
        ]
    return kind(**settings)


def check_alike(page, clip: Clip, processor, deviation=None):
    chain = Chain([("stage", processor)])
    stage = chain.apply(clip).stages["stage"]
    tracks, _ = render(page, clip, spec_of(chain, clip))
    removed = clip.samples - stage.output.samples if stage.detail is None else stage.detail.removed.samples
    wanted = {"before": clip.samples, "after": stage.output.samples, "removed": removed}
    largest = max(1.0, float(np.abs(stage.output.samples).max()))
    worst = max(np.abs(tracks[name] - wanted[name].reshape(tracks[name].shape)).max() for name in wanted)
    assert worst < ALLOWED * largest, f"{worst:.1e} off, {clip.rate} Hz, {clip.channels} channels: {processor}"
    return worst


@pytest.mark.parametrize("kind", CONTROLS, ids=lambda kind: kind.__name__)
def test_each_processor_in_the_page_does_what_python_does(page, kind):
    rng, draw = np.random.default_rng(1), random.Random(1)
    for rate, channels in ((48_000, 1), (44_100, 2)):
        check_alike(page, drawn_clip(rng, rate, channels, 0.5), drawn_processor(kind, draw, rate, 0.5))


@pytest.mark.ci
@pytest.mark.parametrize("kind", CONTROLS, ids=lambda kind: kind.__name__)
def test_on_many_settings_and_clips_the_page_does_what_python_does(page, kind, deviation):
    rng, draw = np.random.default_rng(2), random.Random(2)
    worst = 0.0
    for _ in range(8):
        rate, channels = draw.choice([8_000, 22_050, 44_100, 48_000, 96_000]), draw.choice([1, 1, 2, 3])
        worst = max(worst, check_alike(page, drawn_clip(rng, rate, channels), drawn_processor(kind, draw, rate, 1.5)))
    deviation(
        f"sound made in the page: {kind.__name__}",
        "the same in Python",
        1e6 * worst,
        1e6 * ALLOWED,
        "millionths of full scale",
    )


CHAIN = Chain(
    [
        ("level prep", ClipGain([GainRegion(0.2, 0.5, -6), GainRegion(0.9, 1.2, 4)])),
        ("low cut", HighPass(90, 3)),
        ("bell", Peaking(400, -5, 2)),
        ("peaks", Compressor(-20, 4, 1, 60, lookahead_ms=2)),
        ("s", DeEsser(threshold_db=-20)),
        ("steady", OptoCompressor(threshold_db=-30, makeup_db=4)),
        ("colour", FetCompressor(threshold_db=-15, mix=0.6)),
        ("rides", FaderRide([RidePoint(0.3, 2), RidePoint(0.6, -3), RidePoint(1.1, 1)])),
    ]
)


def test_a_whole_chain_from_its_start_and_from_the_middle(page):
    clip = drawn_clip(np.random.default_rng(3), 48_000, 1)
    result = CHAIN.apply(clip)
    wanted, spec = result.output.columns, spec_of(CHAIN, clip)
    whole, _ = render(page, clip, spec)
    assert np.abs(whole["after"] - wanted).max() < ALLOWED and np.array_equal(whole["before"], clip.columns)
    removed = clip.columns - 10 ** (-CHAIN["steady"].makeup_db / 20) * wanted
    assert np.abs(whole["removed"] - removed).max() < ALLOWED, "of a whole chain, as loud as without its make-up gain"
    for at in (1, 20_000, 50_001):
        part, _ = render(page, clip, spec, clip.frames - at, **{"from": at})
        assert np.abs(part["after"] - wanted[at:]).max() < ALLOWED, f"begun at frame {at}"
    # One stage of it: what goes into it and what comes out.
    some, _ = render(page, clip, spec_of(CHAIN, clip, 3, 3), clip.frames - 30_000, **{"from": 30_000})
    stage = result.stages["peaks"]
    assert np.abs(some["before"] - stage.source.columns[30_000:]).max() < ALLOWED
    assert np.abs(some["after"] - stage.output.columns[30_000:]).max() < ALLOWED


_WARM = """async ({ clip, rate, spec, places }) => {
  const name = `clip${++renders}`, data = floats(clip), context = new OfflineAudioContext(1, 1, rate), answers = [];
  await vocompLive.open(context);
  await vocompLive.shelve(context, name, async () => {
    const buffer = new AudioBuffer({ length: data.length, numberOfChannels: 1, sampleRate: rate });
    buffer.copyToChannel(data, 0);
    return buffer;
  });
  for (const [at, soon] of places) {
    const { held, rough } = await vocompLive.heldAt("warm", name, infinite(spec), at, soon);
    // Each stage's reduction at the last frame that it has worked out.
    answers.push({ rough, last: held.stages.map(({ held: { reduction: tape } }) => tape && [tape.end - 1, tape.data[0][tape.end - 1 - tape.from]]) });
  }
  return answers;
}"""


def test_a_chain_is_warm_wherever_it_begins(page):
    """From rest, from what it held on its way the last time, and roughly where somebody waits: against Python's curves."""
    clip = drawn_clip(np.random.default_rng(12), 16_000, 1, 12.0)
    result = CHAIN.apply(clip)
    places = [[160_001, False], [100_000, False], [172_000, False], [150_000, True], [90_000, True]]
    answers = page.evaluate(
        _WARM, {"clip": sent(clip)[0], "rate": clip.rate, "spec": spec_of(CHAIN, clip), "places": places}
    )
    for (at, soon), answer in zip(places, answers):
        assert soon or not answer["rough"]
        for (name, stage), last in zip(result.stages.items(), answer["last"]):
            if last:
                frame, reduction_db = last
                allowed_db = 1.0 if answer["rough"] else 1e-3
                assert frame >= at - 1
                assert reduction_db == pytest.approx(stage.reduction_db[frame], abs=allowed_db), (name, at, soon)


def test_after_the_end_of_the_clip_there_is_silence(page):
    clip = drawn_clip(np.random.default_rng(4), 44_100, 1, 0.5)
    tracks, _ = render(page, clip, spec_of(CHAIN, clip), clip.frames + 4_000)
    assert not any(sound[clip.frames :].any() for sound in tracks.values())


def test_a_moved_control_is_heard_at_once_and_without_a_click(page):
    rate = 48_000
    tone = Clip((0.5 * np.sin(2 * np.pi * 100 * np.arange(rate) / rate)).astype(np.float32), rate)
    moves = {
        "gain": (Gain(0.0), Gain(-12.0)),
        "low cut": (HighPass(20), HighPass(400, 4)),
        "threshold": (Compressor(-40, 4, 1, 100), Compressor(-10, 4, 1, 100)),
        "make-up": (Compressor(-40, 4, 1, 100), Compressor(-40, 4, 1, 100, makeup_db=12)),
        "look-ahead": (Compressor(-40, 4, 1, 100), Compressor(-40, 4, 1, 100, lookahead_ms=20)),
        "colour": (FetCompressor(drive_db=-20), FetCompressor(drive_db=12)),
        "regions": (ClipGain(), ClipGain([GainRegion(0.1, 0.9, -9)])),
    }
    for name, pair in moves.items():
        old, new = (Chain([("stage", processor)]) for processor in pair)
        tracks, _ = render(page, tone, spec_of(old, tone), changes=[[0.5, spec_of(new, tone)]])
        heard, at = tracks["after"][:, 0], rate // 2
        before, after = (chain.apply(tone).output.samples for chain in (old, new))
        # 10 ms of fade, and a block of 128 frames in which the new setting is taken.
        assert np.abs(heard[:at] - before[:at]).max() < ALLOWED, name
        settled = slice(at + int(0.4 * rate), None)
        assert np.abs(heard[settled] - after[settled]).max() < 2e-3, name
        soon = slice(at + int(0.02 * rate), at + int(0.06 * rate))
        assert np.abs(heard[soon] - before[soon]).max() > 0.05 * np.abs(before[soon]).max() or name == "look-ahead", (
            name
        )
        # A click is a jump: in a tone that is faded over 10 ms no step is much larger than the tones' own.
        step = max(np.abs(np.diff(sound[at // 2 :])).max() for sound in (before, after))
        assert np.abs(np.diff(heard[at - 200 : at + 2_000])).max() < 1.5 * step + 0.5 / (0.01 * rate), name


def test_another_slope_of_a_low_cut_does_not_thump(page):
    """Each order has sections of its own, so that what the old ones remember would be a blow to the new ones."""
    rate = 48_000
    tone = Clip((0.5 * np.sin(2 * np.pi * 100 * np.arange(rate) / rate)).astype(np.float32), rate)
    for old, new in ((3, 4), (3, 8), (1, 2), (3, 2), (8, 1), (2, 4)):
        first, then = (spec_of(Chain([("cut", HighPass(90, order))]), tone) for order in (old, new))
        tracks, _ = render(page, tone, first, changes=[[0.5, then]])
        heard = np.abs(tracks["after"][rate // 2 - 500 : rate // 2 + 5_000]).max()
        assert heard < 0.6, f"from order {old} to {new}: a peak of {heard:.2f} in a tone of 0.5"


def test_another_frequency_of_a_filter_does_not_thump(page):
    rate = 48_000
    tone = Clip((0.5 * np.sin(2 * np.pi * 100 * np.arange(rate) / rate)).astype(np.float32), rate)
    pairs = {
        "low cut up": (HighPass(20, 4), HighPass(400, 4)), "low cut down": (HighPass(400, 8), HighPass(20, 8)),
        "bell": (Peaking(100, -12, 6), Peaking(2_000, 6, 6)),
    }  # fmt: skip
    for name, pair in pairs.items():
        first, then = (spec_of(Chain([("cut", processor)]), tone) for processor in pair)
        tracks, _ = render(page, tone, first, changes=[[0.5, then]])
        heard = np.abs(tracks["after"][rate // 2 - 500 : rate // 2 + 5_000]).max()
        assert heard < 0.75, f"{name}: a peak of {heard:.2f} in a tone of 0.5"


def test_a_clip_that_begins_in_silence_stays_finite_while_nothing_is_measured(page):
    rate = 48_000
    samples = np.zeros(rate, np.float32)
    samples[rate // 2 :] = 0.3 * np.sin(2 * np.pi * 200 * np.arange(rate // 2) / rate)
    clip, gain = Clip(samples, rate), Chain([("gain", Gain(-6))])
    tracks, _ = render(page, clip, spec_of(gain, clip) | {"measured": False})
    assert np.abs(tracks["after"] - 0.5012 * clip.columns).max() < 1e-4


def test_what_grows_out_of_all_measure_ends_instead_of_being_heard(page):
    """A setting that Python refuses: a bell above half the rate is no filter but a runaway."""
    clip = drawn_clip(np.random.default_rng(11), 8_000, 1)
    spec = spec_of(Chain([("bell", Peaking(3_000, 6, 2))]), clip)
    spec["stages"][0]["freq_hz"] = 5_000.0
    tracks, _ = render(page, clip, spec, fails=True)
    heard = np.abs(tracks["after"])
    assert np.isfinite(heard).all() and heard.max() <= 32 and not heard[-4_000:].any()


def test_many_moves_in_a_row_never_click_or_grow(page):
    rate = 48_000
    tone = Clip((0.5 * np.sin(2 * np.pi * 200 * np.arange(rate) / rate)).astype(np.float32), rate)
    specs = [spec_of(Chain([("stage", Gain(db))]), tone) for db in (0.0, -6.0)]
    changes = [[round(0.2 + 0.008 * n, 4), specs[n % 2]] for n in range(60)]
    tracks, _ = render(page, tone, specs[0], changes=changes)
    heard = tracks["after"][:, 0]
    assert np.abs(heard).max() < 0.5 + 1e-6
    assert np.abs(np.diff(heard)).max() < 2 * np.pi * 200 / rate * 0.5 + 0.25 / (0.01 * rate)


def test_a_setting_that_is_not_measured_yet_does_not_startle(page):
    """From deep reduction, made up for by a match of 24 dB, to none: until Python has measured that, peaks stay near the voice's."""
    rate = 48_000
    clip = drawn_clip(np.random.default_rng(8), rate, 1, 2.0)
    deep, none = (spec_of(Chain([("stage", Compressor(db, 8, 1, 100))]), clip) for db in (-45, 0))
    match = {"match": 10 ** (24 / 20)}
    for first in (deep, none):
        tracks, _ = render(
            page, clip, first | match | {"measured": first is deep}, changes=[[1.0, none | match | {"measured": False}]]
        )
        heard, most = np.abs(tracks["after"][rate if first is deep else 0 :]).max(), np.abs(clip.samples).max()
        assert 0.5 * most < heard < 1.4 * most
    tracks, _ = render(page, clip, none | match)
    assert np.abs(tracks["after"]).max() > 10 * np.abs(clip.samples).max(), "measured: as loud as the match says"


def test_a_stretch_goes_round_from_its_right_state_and_without_a_click(page):
    rate = 48_000
    t = np.arange(2 * rate) / rate
    clip = Clip((0.5 * np.sin(2 * np.pi * 100 * t) * (0.2 + 0.8 * (t > 0.4))).astype(np.float32), rate)
    chain = Chain([("stage", Compressor(-30, 4, 5, 300))])
    start, end = 24_000, 24_000 + 31_001
    tracks, _ = render(page, clip, spec_of(chain, clip), 3 * (end - start), loop=[start, end], **{"from": start})
    wanted, fade = chain.apply(clip).output.samples, 500
    for lap in range(3):
        heard = tracks["after"][lap * (end - start) : (lap + 1) * (end - start), 0]
        assert np.abs(heard[fade:] - wanted[start + fade : end]).max() < ALLOWED, lap
    step = np.abs(np.diff(wanted)).max()
    assert np.abs(np.diff(tracks["after"][:, 0])).max() < 1.5 * step + 0.5 / (0.01 * rate)


def test_the_meters_say_what_the_curve_says(page):
    clip = drawn_clip(np.random.default_rng(5), 44_100, 2)
    chain = Chain([("stage", Compressor(-30, 4, 5, 80, knee_db=6))])
    stage = chain.apply(clip).stages["stage"]
    reduction_db = stage.reduction_db
    slow = reduction_needle(reduction_db, clip.rate)
    _, meters = render(page, clip, spec_of(chain, clip))
    assert len(meters) > 30
    _, summed = render(page, clip, spec_of(Chain([("one", chain["stage"]), ("two", Compressor(0, 2, 1, 50))]), clip))
    assert summed[10]["reduction"]["most"] == pytest.approx(meters[10]["reduction"]["most"], abs=1e-3)
    for meter in meters:
        part = slice(meter["place"] - meter["frames"], meter["place"])
        assert meter["reduction"]["most"] == pytest.approx(reduction_db[part].max(), abs=1e-3)
        assert meter["reduction"]["least"] == pytest.approx(reduction_db[part].min(), abs=1e-3)
        assert meter["reduction"]["needle"] == pytest.approx(slow[meter["place"] - 1], abs=1e-3)
        for n, sound in enumerate((clip, stage.output)):
            assert meter["peaks"][n] == pytest.approx(np.abs(sound.columns[part]).max(), rel=1e-3)
            assert meter["powers"][n] == pytest.approx(np.mean(sound.columns[part] ** 2), rel=1e-3, abs=1e-9)


# ---- the band, and ways to listen --------------------------------------------------------------------------------------


def under(band: Clip, at: int, first: int, frames: int) -> np.ndarray:
    """What lies under a clip from its frame `first` on, if the clip begins at frame `at` of the band; silence outside it."""
    places = np.arange(first + at, first + at + frames)
    inside = (places >= 0) & (places < band.frames)
    return np.where(inside[:, None], band.columns[np.clip(places, 0, band.frames - 1)], 0.0)


def test_the_page_mixes_voice_and_band_as_python_does_from_wherever_it_starts(page):
    rng = np.random.default_rng(21)
    clip, band = drawn_clip(rng, 48_000, 1), drawn_clip(rng, 48_000, 2, 1.2)
    output, spec = CHAIN.apply(clip).output, spec_of(CHAIN, clip)
    loudness = dict(voice_lufs=integrated_lufs(clip), band_lufs=integrated_lufs(band))
    peaks = dict(voice_peak=float(np.abs(output.samples).max()), band_peak=float(np.abs(band.samples).max()))
    for balance_lu, at, first in ((0.0, 0, 0), (2.5, 7_001, 30_001), (-12.0, -20_003, 0), (12.0, -90_000, 50_000)):
        voice_gain, band_gain = mix_gains(balance_lu, **loudness, **peaks)
        told = page.evaluate(
            "given => vocompBands.mixGains(...given)", [MIX_LUFS, balance_lu, *loudness.values(), *peaks.values()]
        )
        assert (told["voice"], told["band"]) == pytest.approx((voice_gain, band_gain), rel=1e-12)
        frames = clip.frames - first
        tracks, _ = render(page, clip, spec | {"band_at": at}, frames, band=band, **{"from": first})
        mixed = told["voice"] * tracks["after"] + told["band"] * tracks["band"]
        lies = under(band, at, first, frames)
        wanted = voice_gain * output.columns[first:] + band_gain * lies
        assert np.abs(mixed - wanted).max() < ALLOWED
        assert np.array_equal(tracks["band"], lies), "every sample of the band in its place"


def test_in_a_loop_and_through_moves_the_band_stays_with_the_voice(page):
    rng = np.random.default_rng(22)
    clip, band = drawn_clip(rng, 48_000, 1), drawn_clip(rng, 48_000, 1, 2.0)
    first, then = (spec_of(Chain([("gain", Gain(db))]), clip) for db in (0.0, -9.0))
    start, end, fade = 20_000, 20_000 + 15_001, 500
    tracks, _ = render(
        page, clip, first | {"band_at": 333}, 3 * (end - start), band=band, loop=[start, end], **{"from": start}
    )
    for lap in range(3):
        heard = slice(lap * (end - start) + fade, (lap + 1) * (end - start))
        assert np.array_equal(tracks["band"][heard], under(band, 333, start + fade, end - start - fade)), lap
        assert np.array_equal(tracks["before"][heard, 0], clip.samples[start + fade : end]), lap
    # A moved control is faded in, and the band, which is the same before and after, is heard as if nothing had been.
    tracks, _ = render(page, clip, first, band=band, changes=[[0.5, then]])
    assert np.abs(tracks["band"] - under(band, 0, 0, clip.frames)).max() < ALLOWED
    # A band that is moved goes over to its new place within the same 10 ms.
    tracks, _ = render(page, clip, first, band=band, changes=[[0.5, first | {"band_at": 4_800}]])
    assert np.array_equal(tracks["band"][:24_000], under(band, 0, 0, 24_000))
    assert np.array_equal(tracks["band"][24_700:], under(band, 4_800, 24_700, clip.frames - 24_700))
    assert np.abs(tracks["before"] - clip.columns).max() < ALLOWED


@pytest.fixture(scope="module")
def through_speaker(page):
    def heard(clip: Clip, way: str, first: bool = True) -> np.ndarray:
        job = {
            "sound": sent(clip),
            "rate": clip.rate,
            "way": way,
            "first": first,
            "frames": clip.frames + clip.rate // 5,
        }
        answer = page.evaluate("job => throughSpeaker(job)", job)
        return np.array([np.frombuffer(base64.b64decode(text), np.float32) for text in answer], float)

    return heard


def response_db(heard: np.ndarray, rate: int, freq_hz: float) -> float:
    """What is left of an impulse at a frequency."""
    return 20 * np.log10(abs(np.sum(heard * np.exp(-2j * np.pi * freq_hz * np.arange(len(heard)) / rate))))


def impulse(rate: int, *sides: float) -> Clip:
    samples = np.zeros((rate // 2, len(sides)))
    samples[rate // 4] = sides
    return Clip(samples if len(sides) > 1 else samples[:, 0], rate)


@pytest.mark.parametrize("rate", [32_000, 48_000])
def test_a_small_loudspeaker_is_mono_and_has_neither_lows_nor_highs(through_speaker, rate):
    left, right = through_speaker(impulse(rate, 1.0, 0.0), "small")
    assert np.array_equal(left, right), "mono"
    heard = through_speaker(impulse(rate, 1.0), "small")[0]
    assert np.abs(0.5 * heard - left).max() < 1e-6, "the mean of both sides"
    middle = response_db(heard, rate, 1_200)
    assert middle == pytest.approx(-10, abs=0.1)
    # Butterworth: 3 dB down at the edges, fourth order below and second order above.
    assert response_db(heard, rate, 250) - middle == pytest.approx(-3, abs=0.3)
    assert response_db(heard, rate, 6_000) - middle == pytest.approx(-3, abs=0.3)
    assert response_db(heard, rate, 62.5) - middle == pytest.approx(-48, abs=0.6)
    assert response_db(heard, rate, 12_000) - middle < -12
    # No sound makes more of a filter than the sum of its impulse response: nothing that is within full scale leaves it.
    assert np.abs(heard).sum() <= 1


def test_very_quiet_is_a_fixed_step_down_and_the_change_makes_no_click(through_speaker):
    rate = 48_000
    tone = Clip((0.5 * np.sin(2 * np.pi * 1_000 * np.arange(rate // 2) / rate))[:, None].repeat(2, axis=1), rate)
    plain, quiet, small = (through_speaker(tone, way)[0] for way in ("as it is", "quiet", "small"))
    middle = slice(rate // 5, 2 * rate // 5)
    assert rms_db(quiet[middle]) - rms_db(plain[middle]) == pytest.approx(-20, abs=0.01)
    assert np.abs(plain).max() == pytest.approx(0.5, abs=1e-4)
    for way, settled in (("quiet", quiet), ("small", small), ("as it is", plain)):
        heard = through_speaker(tone, way, first=False)[0]
        assert np.abs(heard[middle] - settled[middle]).max() < 1e-6
        assert np.abs(np.diff(heard)).max() <= np.abs(np.diff(plain)).max() * 1.05 and np.abs(heard).max() <= 0.5001
