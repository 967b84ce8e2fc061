"""The player alone in a page, without JupyterLab: one voice at a time, whatever is clicked, and a word where none comes.

The sounds are constant levels, so that every sample at the output is the sum of the gains of all voices that are on. All of it holds
for sound that the page makes itself, and where it plays what Python has made.
"""

from __future__ import annotations

import base64
import json

import numpy as np
import pytest
from heard import OVER, listen
from labdriver import chromium, start_playing, wait_for

from vocomp_lab.bench import player
from vocomp_lab.bench.bench import Bench
from vocomp_lab.bench.live import code_widget
from vocomp_lab.processors.gain import Gain
from vocomp_lab.sound.audio import Clip, encode

pytestmark = pytest.mark.ci
RATE, LENGTH_S = 44_100, 1.5
LEVEL = 0.5
VOLUME_DB = -24
SINGLE = LEVEL * 10 ** (VOLUME_DB / 20)

# In the page: the benches' answers as Python would send them, and clicks faster than a driver's.
_PAGE = """
window.answer = (bench, n) => {
  const { id, answers } = benches[bench], { sounds, state } = answers[n % answers.length];
  for (const [track, url] of Object.entries(sounds)) document.querySelector(`.vocomp-${id}-${track}`).src = url;
  document.querySelector(`.vocomp-${id}-state`).textContent = JSON.stringify(state);
};
window.put = (bench) => {
  const place = document.getElementById(`output-${bench}`), range = document.createRange();
  range.selectNode(place);
  place.replaceChildren(range.createContextualFragment(benches[bench].html));
};
window.root = (bench) => document.querySelector(`#output-${bench} .vocomp-player`);
window.part = (bench, name) => root(bench).querySelector(`[data-part=${name}]`);
window.seekTo = (bench, seconds) => {
  part(bench, "seek").value = seconds;
  part(bench, "seek").dispatchEvent(new Event("input", { bubbles: true }));
};
window.hear = (bench, track) => root(bench).querySelector(`input[value=${track}]`).click();
window.rest = (ms) => new Promise((resolve) => setTimeout(resolve, ms));
// What is fetched can be made to wait: for a time, or for a gate to open.
window.slowness = 0;
window.gate = null;
const quick = window.fetch;
window.fetch = async (...given) => { await rest(window.slowness); await window.gate; return quick(...given); };
// Until so many more blocks have been heard. A page that never woke the loudspeaker hears none.
window.moreBlocks = async (count) => {
  heard.clear();
  for (const start = performance.now(); heard.blocks.length < count && performance.now() - start < 2000; ) await rest(10);
  return heard.most();
};
// What is heard once everything that was on its way out is out.
window.silence = async () => {
  for (let tries = 0; tries < 30; tries++) if ((await moreBlocks(10))[0] === 0) break;
  return moreBlocks(20);
};
"""


def constant(level: float, padding: int = 0) -> bytes:
    """A file of one constant level, with some bytes at its end: the page tells sounds apart by the length of their files."""
    return encode(Clip(np.full(int(RATE * LENGTH_S), level), RATE), "WAV") + bytes(padding)


def shown_html(show) -> str:
    """What a bench or a player puts into its cell's output besides its widgets, when it is asked to show itself."""
    shown = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(player, "display", shown.append)
        show()
    return shown[0].data


def on_page(number: int, id: str, tracks, answers, shown: str) -> tuple[dict, str]:
    """What the page's script knows of a bench, and the bench's place in the page."""
    hidden = "".join(f'<audio class="vocomp-{id}-{track}"></audio>' for track in tracks)
    state = f'<span hidden class="vocomp-{id}-state"></span>'
    place = f'<div class="vocomp-bench">{hidden}{state}</div><div id="output-{number}"></div>'
    return {"id": id, "answers": answers, "html": shown}, place


WAYS = IN_PAGE, BY_PYTHON = "made in the page", "made by Python"


@pytest.fixture(scope="module", params=WAYS)
def notebook(request):
    """The page's source: two benches with their players, four answers for each, and the player of a blind test."""
    live = request.param == IN_PAGE
    noise = Clip(np.random.default_rng(3).normal(0, 0.1, int(RATE * LENGTH_S)), RATE)
    rows = []
    before = constant(LEVEL)
    for number in range(2):
        bench = Bench(noise, Gain(-3))
        answers = []
        # "After" is louder or quieter each time, and matched by as much.
        for place, share in enumerate((0.25, 0.5, 0.75, 1.0)):
            after = constant(LEVEL * share, 4 * place)
            state = json.loads(bench._player.state_text) | {
                "before_id": f"before{number}", "before_bytes": len(before), "before_scale": 1.0,
                "clip_id": "clip", "clip_bytes": len(before), "clip_scale": 1.0,
                "after_id": f"after{number}-{place}", "after_bytes": len(after), "after_scale": 1.0,
                "match_gain_db": -20 * np.log10(share), "removed_shares": [1.0, 1.0], "duration_s": LENGTH_S,
                "rate": RATE,
                "band": {"id": "band", "from_s": 0.0, "mix_lufs": -24.0, "range_lu": [-12, 12, 0.5], "lufs": -24.0, "peak": LEVEL},
            }  # fmt: skip
            state["live"]["stages"][0]["gain_db"] = 20 * np.log10(share)
            sounds = {track: _url(data) for track, data in (("before", before), ("after", after), ("clip", before))}
            answers.append({"sounds": sounds, "state": state})
        tracks = ("before", "after", "clip")
        rows.append(on_page(number, bench._player.id, tracks, answers, shown_html(bench._player.show)))
    blind = player.PagePlayer({"a": "A", "b": "B", "x": "X"}, "Player: A, B and X", file_format="wav")
    blind.send(dict.fromkeys("abx", before), rate=RATE, duration_s=LENGTH_S)
    answers = [{"sounds": dict.fromkeys("abx", _url(before)), "state": json.loads(blind.state_text)}]
    rows.append(on_page(2, blind.id, "abx", answers, shown_html(blind.show)))
    benches, places = zip(*rows)
    script = f"window.benches = {json.dumps(benches)};{_PAGE}".replace("</", "<\\/")
    start = "for (const bench of [0, 1, 2]) { answer(bench, 0); put(bench); }"
    # Both benches have one band, as loud as the voice.
    line = {
        "heard": 0, "balance_lu": 0.0, "shift_s": 0.0, "lufs": -24.0, "peak": LEVEL, "channels": 1, "rate": RATE,
        "measured_at_s": 0.0, "whole_lufs": -24.0, "trouble": "",
        "sound_bytes": len(before), "sound_scale": 1.0,
    }  # fmt: skip
    places += (
        f'<span hidden class="vocomp-band-line">{json.dumps(line)}</span><audio class="vocomp-band-sound" src="{_url(before)}"></audio>'
        '<div hidden class="vocomp-band-said"><textarea></textarea></div>',
    )
    places += (code_widget().value.replace("<span>", '<span hidden class="vocomp-live-code">'),)
    # Said to be at an address that is not a secure one, the page can't make sound; at such an address nothing could listen, too.
    said = "" if live else 'Object.defineProperty(window, "isSecureContext", { value: false });'
    return f"<!doctype html><title>Three players</title>{''.join(places)}<script>{said}{script}{start}</script>", live


def _url(data: bytes) -> str:
    return "data:audio/wav;base64," + base64.b64encode(data).decode()


@pytest.fixture(scope="module")
def browser_page(notebook):
    with chromium(1200, 700) as page:
        listen(page)
        body, page.live = notebook
        page.context.route("http://localhost/**", lambda route: route.fulfill(body=body, content_type="text/html"))
        yield page


@pytest.fixture
def page(browser_page):
    """The page anew, its players awake."""
    browser_page.errors.clear()
    browser_page.goto("http://localhost/")
    browser_page.wait_for_function("document.querySelectorAll('.vocomp-player:not([hidden])').length === 3")
    yield browser_page
    assert not browser_page.errors, browser_page.errors


def mode(page, bench=0) -> str:
    """Idle, waiting or playing; and the button says whether a click would end it."""
    playing, word = page.evaluate("n => [root(n).vocomp.playing(), part(n, 'play').textContent]", bench)
    return {(False, "Play"): "idle", (False, "Pause"): "waiting", (True, "Pause"): "playing"}[playing, word]


def play(page, bench=0):
    start_playing(page, page.locator(f"#output-{bench} .vocomp-player"))
    sounding(page)


def sounding(page):
    page.wait_for_function("heard.last(3) > 0.001")


def silent(page):
    """Every player is idle, and nothing sounds."""
    wait_for(page, lambda: [mode(page, n) for n in range(3)] == 3 * ["idle"], "rest")
    assert page.evaluate("silence()") == [0, 0], "a voice goes on behind the Play button"


def over_single(page) -> float:
    """The largest sample at the output, over the single level."""
    page.wait_for_timeout(120)
    return page.evaluate("heard.most()[0]") / SINGLE


def test_played_once_it_has_the_level_that_volume_and_sound_say(page, browser_page):
    play(page)
    assert page.evaluate("root(0).vocomp.isLive()") == browser_page.live
    assert (
        page.evaluate("document.querySelector('#output-0 [data-part=how]').textContent").startswith(
            "A moved control is heard"
        )
        != browser_page.live
    )
    page.wait_for_timeout(1200 * LENGTH_S)  # once round the loop, too
    assert over_single(page) == pytest.approx(1, abs=0.002)
    page.evaluate("part(0, 'play').click()")
    silent(page)


def test_it_comes_to_rest_at_its_end_and_so_do_the_meters(page, browser_page):
    page.evaluate("part(0, 'loop').click()")
    play(page)
    wait_for(page, lambda: mode(page) == "idle", "the end")
    silent(page)
    now = page.evaluate("root(0).vocomp.needle.reading()")
    assert now["held"] == 0 and "peaks" not in now and now["levels"] == [-60, -60]
    assert page.evaluate("root(0).vocomp.position()") == 0
    assert page.evaluate("part(0, 'needle').hidden") != browser_page.live, "without a worklet there is nothing to show"


@pytest.mark.parametrize("notebook", [IN_PAGE], indirect=True, scope="module")
def test_where_the_code_for_it_does_not_come_it_plays_what_python_made(page, notebook):
    page.evaluate("document.querySelector('.vocomp-live-code').remove()")
    play(page)
    assert not page.evaluate("root(0).vocomp.isLive()")
    page.evaluate("part(0, 'play').click()")
    silent(page)


def test_after_seeks_while_it_makes_ready_it_plays_and_the_clock_runs(page):
    page.evaluate("""async () => {
      part(0, "play").click();
      for (let n = 0; n < 25; n++) { seekTo(0, 0.6); await rest(12); }
    }""")
    wait_for(page, lambda: mode(page) == "playing", "playback")
    sounding(page)
    page.evaluate("window.clocks = new Set()")
    page.wait_for_function("clocks.add(part(0, 'clock').textContent).size > 4")
    assert over_single(page) < OVER
    page.evaluate("part(0, 'play').click()")
    silent(page)


def test_the_band_adds_up_with_the_voice_as_the_balance_says_and_neither_is_ever_louder(page, browser_page):
    play(page)
    page.evaluate("part(0, 'band').click()")
    wait_for(page, lambda: page.evaluate("root(0).vocomp.gains().band") == 1, "the band")
    page.evaluate("heard.clear()")
    page.wait_for_timeout(1200 * LENGTH_S)  # once round the loop, too
    assert over_single(page) == pytest.approx(2, abs=0.004), "both at their place"
    page.evaluate("""async () => {
      for (let n = 0; n < 40; n++) {
        seekTo(0, (n % 9) / 10);
        hear(0, n % 2 ? "before" : "after");
        if (n % 5 === 0) answer(0, n);
        if (n % 7 === 0) part(0, "band").click();
        await rest(n);
      }
      if (!part(0, "band").checked) part(0, "band").click();
    }""")
    assert over_single(page) < 2 * OVER
    page.wait_for_function("part(1, 'band').checked")  # one tick for all benches of the voice
    page.evaluate("""() => {
      part(1, "balance").value = -6;
      for (const type of ["input", "change"]) part(1, "balance").dispatchEvent(new Event(type, { bubbles: true }));
    }""")
    share = 10 ** (-6 / 20)
    wait_for(page, lambda: page.evaluate("root(0).vocomp.gains().before") == pytest.approx(share, rel=1e-4), "−6 LU")
    page.evaluate("moreBlocks(20)")  # the change takes a moment
    assert json.loads(page.evaluate("document.querySelector('.vocomp-band-said textarea').value"))["balance_lu"] == -6
    page.evaluate("heard.clear()")
    assert over_single(page) == pytest.approx(1 + share, abs=0.004)
    page.evaluate("part(0, 'band').click()")
    wait_for(page, lambda: page.evaluate("root(0).vocomp.gains().band") == 0, "the voice alone")
    page.evaluate("moreBlocks(20).then(heard.clear)")  # until the two are out
    assert over_single(page) == pytest.approx(1, abs=0.002)
    page.evaluate("part(0, 'play').click()")
    silent(page)


def test_a_voice_whose_place_is_not_known_yet_is_heard_alone_and_the_band_joins_in(page):
    page.evaluate("""() => {
      const states = benches[0].answers.map(({ state }) => state);
      states[1].band = null;
      states[2].band = { ...states[2].band, lufs: null, peak: null };
      part(0, "band").click();
      answer(0, 1);
    }""")
    page.wait_for_function("part(0, 'band-box').hidden")
    play(page)
    page.evaluate("answer(0, 2)")
    page.wait_for_function("!part(0, 'band-box').hidden")
    page.evaluate("hear(0, 'after'), hear(0, 'before')")  # the gains of a voice that began without a band
    assert page.evaluate("root(0).vocomp.gains().band || 0") == 0 and over_single(page) < OVER
    page.evaluate("answer(0, 3)")
    wait_for(page, lambda: page.evaluate("root(0).vocomp.gains().band") == 1, "the band")
    page.evaluate("part(0, 'play').click()")
    silent(page)


def test_play_does_not_wait_for_a_band_that_does_not_come(page):
    """As from a kernel that is busy or gone. The band joins in when it comes; a note about it goes with the tick."""
    page.evaluate("""() => {
      window.bandLine = document.querySelector(".vocomp-band-line");
      window.wholeLine = JSON.parse(bandLine.textContent);
      window.sayBand = (changed) => { bandLine.textContent = JSON.stringify({ ...wholeLine, ...changed }); };
      sayBand({ sound_bytes: undefined });
    }""")
    page.wait_for_timeout(150)  # until the players have read it
    page.evaluate("part(0, 'band').click()")
    play(page)
    # Where it was given up first, a note would say so.
    assert page.evaluate("part(0, 'note').textContent") == "" and over_single(page) < OVER
    page.evaluate("sayBand({})")
    wait_for(page, lambda: page.evaluate("root(0).vocomp.gains().band") == 1, "the band")
    # Where it was just moved to is not measured yet: from under a soft part it comes no louder than the whole band does.
    most = page.evaluate("""() => {
      const band = vocompBands.of("band"), gain = () => band.gains(-24, { lufs: -24, peak: 0.01 }, 1).band;
      sayBand({ lufs: -44, peak: 0.01 });
      band.read();
      const still = gain();
      band.set("shift_s", 0.3, false);
      const moved = gain();
      band.set("shift_s", 0, false);
      return [still, moved];
    }""")
    assert most == pytest.approx([10, 1])
    page.evaluate("sayBand({ lufs: null })")
    page.wait_for_function("part(0, 'note').textContent.startsWith(\"The band can't be heard\")")
    page.evaluate("part(0, 'band').click()")
    page.wait_for_function("part(0, 'note').textContent === ''")
    page.evaluate("part(0, 'play').click()")
    silent(page)


def test_what_was_turned_up_while_it_was_very_quiet_does_not_come_back_louder(page):
    play(page)
    page.evaluate("""() => {
      window.listenTo = (way) => { part(0, "way").value = way; part(0, "way").dispatchEvent(new Event("change", { bubbles: true })); };
      window.turn = (db) => { part(0, "volume").value = db; part(0, "volume").dispatchEvent(new Event("input", { bubbles: true })); };
      listenTo("quiet");
      turn(-6);
    }""")
    page.evaluate("moreBlocks(20).then(heard.clear)")
    assert over_single(page) == pytest.approx(10 ** ((-20 + 18) / 20), rel=0.01)
    page.evaluate("heard.clear(), listenTo('as it is')")
    assert page.evaluate("[0, 1].map((n) => part(n, 'volume').value)") == [str(VOLUME_DB)] * 2
    page.evaluate("moreBlocks(20)")
    assert over_single(page) < OVER
    page.evaluate("listenTo('quiet'), turn(-40), listenTo('as it is')")
    assert page.evaluate("part(0, 'volume').value") == "-40", "what was turned down stays down"
    page.evaluate("part(0, 'play').click()")
    silent(page)


# What a hand can do, and what is faster than a hand; each with `slowness` ms until a sound is there.
_BURSTS = {
    "two clicks at once": "part(0, 'play').click(); part(0, 'play').click();",
    "three clicks at once": "for (let n = 0; n < 3; n++) part(0, 'play').click();",
    "a double click": "part(0, 'play').click(); await rest(90); part(0, 'play').click();",
    "ten fast clicks": "for (let n = 0; n < 10; n++) { part(0, 'play').click(); await rest(23); }",
    "eleven fast clicks": "for (let n = 0; n < 11; n++) { part(0, 'play').click(); await rest(31); }",
    "two benches at once": "part(0, 'play').click(); part(1, 'play').click();",
    "a blind test's player, and a bench": """
      part(2, "play").click(); part(2, "play").click(); part(0, "play").click(); await rest(60);
      for (let n = 0; n < 9; n++) { part(2, "play").click(); hear(2, "abx"[n % 3]); seekTo(2, 0.2); await rest(9 * n); }""",
    "two benches in turns": "for (let n = 0; n < 12; n++) { part(n % 2, 'play').click(); await rest(17 * (n % 4)); }",
    "the other bench, while one plays": """
      part(0, 'play').click(); await rest(400); part(1, 'play').click(); await rest(300); part(0, 'play').click();""",
    "a cell run again while it plays": """
      part(0, 'play').click(); await rest(400); put(0); await rest(20);
      answer(0, 1); while (root(0).hidden) await rest(10); part(0, 'play').click();""",
    "a cell run again while it waits": "part(0, 'play').click(); put(0); await rest(400);",
    "a control moved while it waits": """
      part(0, 'play').click(); for (let n = 1; n < 8; n++) { answer(0, n); await rest(60); }""",
}


# Each costs seconds of listening. Where Python makes the sound, the player is the same but for where it gets it from, so the
# hardest of them are enough there.
_HARDEST = {
    "a blind test's player, and a bench",
    "a control moved while it waits",
    "a control, seeks and tracks",
    "a busy page",
}


def _in_both_ways(cases):
    return [(way, *case) for way in WAYS for case in cases if way == IN_PAGE or case[0] in _HARDEST]


@pytest.mark.parametrize(
    "notebook, burst, slowness",
    _in_both_ways([(burst, 120 * (place % 2)) for place, burst in enumerate(_BURSTS)] + [("ten fast clicks", 120)]),
    indirect=["notebook"],
    scope="module",
)
def test_no_burst_of_starts_is_louder_than_one_and_pause_ends_all(page, burst, slowness):
    page.evaluate(f"slowness = {slowness}")
    page.evaluate(f"(async () => {{ {_BURSTS[burst]} }})()")
    page.wait_for_timeout(2 * slowness + 200)
    assert over_single(page) < OVER
    page.evaluate("for (const n of [0, 1, 2]) if (part(n, 'play').textContent === 'Pause') part(n, 'play').click()")
    silent(page)


# What moves while it plays.
_MOVES = {
    "seeks as fast as a drag": "for (let n = 0; n < 80; n++) { seekTo(0, (n % 13) / 10); await rest(16); }",
    "seeks of all distances in time": "for (let n = 0; n < 60; n++) { seekTo(0, 0.2); await rest(n); }",
    "many seeks at once": "for (let n = 0; n < 8; n++) { for (let k = 0; k < 30; k++) seekTo(0, 0.3); await rest(60); }",
    "a seek, and another track at once": """
      for (let n = 0; n < 30; n++) { seekTo(0, 0.3); await rest(n); hear(0, n % 2 ? "before" : "after"); await rest(60); }""",
    "tracks in bursts": """
      for (let n = 0; n < 60; n++) { hear(0, ["before", "after", "removed"][n % 3]); await rest(n % 7 * 3); }""",
    "loop on and off": "for (let n = 0; n < 40; n++) { part(0, 'loop').click(); await rest(n); }",
    "a control in bursts": "hear(0, 'after'); for (let n = 0; n < 40; n++) { answer(0, n); await rest(2 * n); }",
    "a control, seeks and tracks": """
      for (let n = 0; n < 60; n++) {
        if (n % 3 === 0) answer(0, n);
        if (n % 4 === 0) hear(0, n % 8 ? "after" : "before");
        seekTo(0, n / 100);
        await rest(5 * (n % 9));
      }""",
    "a busy page": """
      for (let n = 0; n < 30; n++) {
        seekTo(0, 0.3); answer(0, n);
        for (const until = performance.now() + 4 * n % 90; performance.now() < until; );
        await rest(7 * n % 50);
      }""",
    "pause and play with seeks between": """
      for (let n = 0; n < 40; n++) { part(0, "play").click(); seekTo(0, 0.4); await rest(3 * n % 70); }""",
    "numbers that overtake the sound": """
      hear(0, "after"); answer(0, 3); await rest(400); slowness = 300; answer(0, 0); await rest(120);
      const { id, answers } = benches[0], again = { ...answers[0].state, alt: "said again" };
      document.querySelector(`.vocomp-${id}-state`).textContent = JSON.stringify(again); await rest(900);""",
}


@pytest.mark.parametrize(
    "notebook, move", _in_both_ways([(move,) for move in _MOVES]), indirect=["notebook"], scope="module"
)
def test_nothing_that_moves_while_it_plays_is_louder_than_one_voice(page, move):
    play(page)
    page.evaluate(f"(async () => {{ {_MOVES[move]} }})()")
    if move not in ("loop on and off",):
        sounding(page)  # it went on
    assert over_single(page) < OVER
    page.evaluate("if (part(0, 'play').textContent === 'Pause') part(0, 'play').click()")
    silent(page)


def test_the_volume_holds_for_every_player_and_is_never_passed(page):
    play(page)
    page.evaluate("""async () => {
      const volume = part(1, "volume");
      for (let n = 0; n < 20; n++) {
        volume.value = -30 - (n % 5);
        volume.dispatchEvent(new Event("input", { bubbles: true }));
        seekTo(0, 0.2);
        await rest(25);
      }
      await rest(300);
      heard.clear();
      part(1, "play").click();
    }""")
    page.wait_for_timeout(400)
    assert over_single(page) == pytest.approx(10 ** ((-34 - VOLUME_DB) / 20), rel=0.01)
    page.evaluate("put(1)")
    page.wait_for_function("!root(1).hidden")
    assert page.evaluate("part(1, 'volume').value") == "-34", "a cell run again brings the old volume back"


def test_space_and_p_held_down_or_pressed_fast(page):
    play(page)  # so that the browser's sound is awake
    button = page.locator("#output-0 [data-part=play]")
    button.click()
    button.focus()
    for _ in range(7):
        page.keyboard.press("Space")
    wait_for(page, lambda: mode(page) == "playing", "playback after an odd number of presses")
    for key in ("p", "Enter"):
        for _ in range(6):  # down again without up: the key repeats
            page.keyboard.down(key)
        page.keyboard.up(key)
    wait_for(page, lambda: mode(page) == "playing", "off by p, on by Enter, each once")
    sounding(page)
    assert over_single(page) < OVER
    button.click()
    silent(page)


def test_a_second_click_while_it_waits_takes_the_first_one_back(page):
    page.evaluate("void (gate = new Promise((open) => { window.openGate = open; }))")
    button = page.locator("#output-0 [data-part=play]")
    button.click()
    assert mode(page) == "waiting" and button.get_attribute("aria-busy") == "true"
    page.wait_for_function("part(0, 'note').textContent === 'Waiting for the sound …'")
    page.evaluate("part(0, 'play').click()")
    assert mode(page) == "idle" and page.locator("#output-0 [data-part=note]").inner_text() == ""
    page.evaluate("openGate()")
    page.wait_for_timeout(600)  # both sounds have come meanwhile
    assert page.evaluate("heard.most()") == [0, 0]
    play(page)


def test_another_tab_of_the_same_browser_makes_this_one_pause(page):
    play(page)
    with page.expect_popup() as opened:
        page.evaluate("void window.open('http://localhost/')")
    other = opened.value
    try:
        other.wait_for_function("document.querySelectorAll('.vocomp-player:not([hidden])').length === 3")
        play(other, 1)
        silent(page)
        assert mode(other, 1) == "playing"
    finally:
        other.close()


def test_where_the_browser_holds_the_sound_back_it_says_so_and_never_starts_later(page):
    note = page.locator("#output-0 [data-part=note]")
    page.evaluate("heard.held = true")
    started = page.evaluate("part(0, 'play').click(), performance.now()")
    assert mode(page) == "waiting"
    page.wait_for_function("part(0, 'note').textContent.startsWith('The browser is holding the sound back')")
    assert page.evaluate("performance.now()") - started >= 4000
    assert note.inner_text().endswith("press Play again.") and note.get_attribute("role") == "status"
    assert mode(page) == "idle"
    page.evaluate("heard.held = false; heard.contexts.forEach((c) => c.resume().catch(() => {}))")
    page.wait_for_timeout(600)
    assert page.evaluate("heard.most()") == [0, 0] and mode(page) == "idle", "it started when nobody expected it"
    play(page)
    assert note.inner_text() == "" and over_single(page) < OVER


def test_what_another_bench_waits_for_is_no_business_of_the_first(page):
    seen = page.evaluate("""async () => {
      heard.held = true;
      part(0, "play").click(); await rest(2200); part(1, "play").click(); await rest(2200);
      return [0, 1].map((n) => part(n, "play").textContent).concat(part(0, "note").textContent);
    }""")
    assert seen == ["Play", "Pause", ""]
    page.wait_for_function("part(1, 'note').textContent.startsWith('The browser is holding')")


def test_where_the_device_is_taken_away_it_goes_back_to_idle_and_says_so(page):
    play(page)
    page.evaluate("heard.contexts.at(-1).suspend()")
    page.wait_for_function("part(0, 'note').textContent.startsWith('The browser is holding the sound back')")
    assert mode(page) == "idle"
    page.evaluate("heard.contexts.at(-1).resume().catch(() => {}); heard.clear()")
    page.wait_for_timeout(400)
    assert page.evaluate("heard.most()") == [0, 0]
    play(page)
