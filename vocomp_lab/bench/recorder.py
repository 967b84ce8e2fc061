"""Recording in the page: the box with the microphone, Python's side of it, and the sound check.

The page's side is ``record.js`` and the scripts before it in ``_SCRIPTS``. It captures the microphone's samples without
loss and hands them over in pieces, as uploads of a hidden button (``pieces.js``); Python answers each with one hidden
line of JSON, the state. A message holds its number in the file's name, so the page knows what was answered.
"""

from __future__ import annotations

import html
import itertools
import json
import re
import secrets
from collections.abc import Callable, Sequence
from datetime import datetime

import ipywidgets as widgets
from IPython.display import HTML, display

from vocomp_lab.bench.player import page_script
from vocomp_lab.bench.style import NO_KERNEL, STYLE
from vocomp_lab.lessons.recording import (
    FAR_TOO_QUIET_DBFS,
    LOUDEST_PEAK_DBFS,
    Verdict,
    join_pieces,
    judge_level,
    judge_room,
)
from vocomp_lab.singer.song import LEAD_IN_BEATS, TEMPO_BPM, shipped
from vocomp_lab.sound.audio import Clip, check_rate, encode

LONGEST_MIN = 20
MOST_SAMPLES = 1 << 26
"""Frames times channels: 23 minutes of mono at 48 kHz. Measuring that many takes about 4 GB of memory."""
_PIECE_FRAMES = 1 << 17
"""Half a megabyte, 2.7 s at 48 kHz: what a page that goes away in the middle of a take can lose."""
_GONE_S = 30
"""How long the page waits for an answer before it offers to save the take itself."""
_SCRIPTS = (
    "speaker.js", "pieces.js", "wording.js", "microphone.js", "input_meter.js", "headphones.js", "take.js",
    "handover.js", "recorder_box.js", "record.js",
)  # fmt: skip
_CHECK_PLAN = (("Keep still: the room is being measured", 3.0), ("Now sing, as loud as you will in the song", 6.0))

_STYLE = """<style>
.vocomp-recorder{font-family:var(--jp-ui-font-family,sans-serif);font-size:14px;line-height:1.4;
 color:var(--jp-ui-font-color1,#111);border:1px solid var(--jp-border-color1,#bbb);border-radius:4px;padding:6px 10px;
 margin:4px 0;max-width:1098px;--vocomp-accent:#0072B2;--vocomp-edge:#767676}
[data-jp-theme-light=false] .vocomp-recorder{--vocomp-accent:#56B4E9;--vocomp-edge:#8c8c8c;color-scheme:dark}
.vocomp-recorder :focus-visible{outline:2px solid var(--vocomp-accent)!important;outline-offset:2px}
.vocomp-recorder [hidden]{display:none!important}
.vocomp-recorder p{margin:3px 0}
.vocomp-recorder .row{display:flex;flex-wrap:wrap;gap:4px 16px;align-items:center;margin:3px 0}
.vocomp-recorder label{display:inline-flex;gap:5px;align-items:center}
.vocomp-recorder :is(button,select){font:inherit;padding:3px 10px;color:inherit;background:var(--jp-layout-color2,#eee);
 border:1px solid var(--jp-border-color0,#888);border-radius:3px;max-width:340px}
.vocomp-recorder button{cursor:pointer}
.vocomp-recorder button:disabled{opacity:.5;cursor:default}
.vocomp-recorder [data-part=record]{min-width:96px;font-weight:600}
.vocomp-recorder [data-part=record][data-on]::before{content:"■ " / ""}
.vocomp-recorder [data-part=record]:not([data-on])::before{content:"● " / ""}
.vocomp-recorder input{accent-color:var(--vocomp-accent)}
.vocomp-recorder .meter{position:relative;flex:1 1 420px;max-width:560px;height:40px}
.vocomp-recorder .track{position:absolute;left:0;right:0;top:0;height:18px;overflow:hidden;
 border:1px solid var(--vocomp-edge);border-radius:2px}
.vocomp-recorder .bar{position:absolute;inset:3px 0;background:var(--vocomp-accent);transform-origin:0 0;transform:scaleX(0)}
.vocomp-recorder .hold{position:absolute;top:0;bottom:0;left:0;width:3px;margin-left:-2px;background:currentColor}
.vocomp-recorder .zone{position:absolute;top:-3px;height:24px;border:2px solid currentColor;border-radius:2px;
 box-sizing:border-box}
.vocomp-recorder .mark{position:absolute;top:22px;font-size:11px;line-height:16px;transform:translateX(-50%);white-space:nowrap;
 font-variant-numeric:tabular-nums}
.vocomp-recorder [data-part=level]{min-width:250px;font-variant-numeric:tabular-nums}
.vocomp-recorder [data-part=count]{font-size:22px;font-weight:600;min-width:76px;font-variant-numeric:tabular-nums}
.vocomp-recorder [data-part=time]{font-variant-numeric:tabular-nums}
.vocomp-recorder .small{font-size:13px}
.vocomp-recorder .wrong{border-left:5px solid #D55E00;padding:0 8px}
.vocomp-recorder .right{border-left:5px solid #009E73;padding:0 8px}
</style>"""

_BOX = """<div class="vocomp-recorder" id="vocomp-recorder-__ID__" role="group" aria-label="__NAME__"
 data-set="__SET__" data-lm-suppress-shortcuts="true">
<div class="row"><b>__NAME__</b>
<button type="button" data-part="power" disabled>Turn on the microphone</button>
<label data-part="device-row" hidden>Microphone <select data-part="device"></select></label>
<label data-part="channel-row" hidden>Input <select data-part="channel"><option value="0">1 (left)</option>
<option value="1">2 (right)</option></select></label></div>
<p class="small" data-part="processing" hidden></p>
<div data-part="ready" hidden>
<div class="row"><div class="meter"><div class="track" role="meter" data-part="meter" aria-label="Input level"
 aria-valuemin="-60" aria-valuemax="0" aria-valuenow="-60"><div class="bar"></div><div class="hold"></div></div>
<div class="zone" aria-hidden="true"></div></div>
<span data-part="level" aria-hidden="true"></span></div>
<div class="row">
<button type="button" data-part="record">Record</button>
<span data-part="count" aria-hidden="true"></span><span data-part="time" aria-hidden="true"></span>
<span class="row" style="margin:0" data-part="guide"><label><input type="checkbox" data-part="clicks">clicks for the count-in</label>
<label><input type="checkbox" data-part="band">the band while I sing (__TEMPO__)</label></span>
</div></div>
<div class="row" data-part="loud" hidden><label>Headphone level
<input type="range" data-part="volume" min="-40" max="0" step="1" value="-24"></label>
<span data-part="volume-text">−24 dB</span>
<span class="small">Turn your headphones down before the first sound, and raise the level slowly.
<span data-part="bleed" hidden>Use headphones, or the band and the clicks end up in the take.</span></span></div>
<div data-part="verdict" role="status"></div>
<div class="row" data-part="taken" hidden>
<button type="button" data-part="listen">Listen</button>
<button type="button" data-part="keep">Keep this take</button>
<button type="button" data-part="again">Again</button></div>
<div class="row" data-part="trouble" hidden>
<button type="button" data-part="save">Save it from the page</button>
<button type="button" data-part="resend">Hand it over again</button></div>
<p data-part="note" role="status">__NO_KERNEL__</p>
<p class="small" data-part="still-on" role="status"></p>
<p data-part="post" role="status"></p>
</div>"""


class Recorder:
    """A box in the page that records the microphone, and hands the take over to be judged and kept.

    Parameters
    ----------
    judge : callable
        Called with the take, a mono :class:`Clip`; returns the verdicts to show.
    keep : callable, optional
        Called with the take and the time at which it began; returns the sentence to show, and raises a ValueError
        with the sentence that says what went wrong. Without it the take can be listened to and no more.
    plan : sequence of (str, float)
        What the singer is asked to do, and for how many seconds each; the take ends after the last. Without a plan
        there is a count-in, the band if wanted, and the singer ends the take.
    name : str
        The box's heading.

    Attributes
    ----------
    clip : Clip or None
        The take in hand: recorded, and neither kept nor given up.
    widgets : list
        The hidden widgets, to be shown with those around the box.
    """

    _ids = itertools.count(1)

    def __init__(
        self,
        judge: Callable[[Clip], Sequence[Verdict]],
        keep: Callable[[Clip, datetime], str] | None = None,
        plan: Sequence[tuple[str, float]] = (),
        name: str = "Record here",
    ):
        self._judge, self._keep, self._plan, self._name = judge, keep, tuple(plan), name
        self._id = f"r{next(self._ids)}-{secrets.token_hex(4)}"
        self._message = re.compile(rf"([a-z]{{1,9}})-(\d{{1,9}})-{self._id}-([0-9a-f]{{1,32}})-(\d{{1,9}})")
        self.clip: Clip | None = None
        self._forget()
        hidden = widgets.Layout(display="none")
        self._inbox = widgets.FileUpload(multiple=False, layout=hidden)
        self._inbox.observe(self._on_message, "value")
        self._line = widgets.HTML(layout=hidden)
        self._band, self._sound = (
            # Without a sound they would ask for one that isn't there.
            widgets.Audio(
                value=encode(Clip([0.0], 48_000)),
                format="flac",
                autoplay=False,
                loop=False,
                controls=False,
                layout=hidden,
            )
            for _ in range(2)
        )
        self.widgets = [self._inbox, self._line, self._band, self._sound]
        for widget, part in zip(self.widgets, ("inbox", "state", "band", "sound")):
            widget.add_class(f"vocomp-{self._id}-{part}")
        self._answer("")

    def html(self) -> str:
        """The box and its scripts, for a cell's output."""
        low, high = LOUDEST_PEAK_DBFS
        given = {
            "longest_s": 60 * LONGEST_MIN, "most_frames": MOST_SAMPLES, "piece_frames": _PIECE_FRAMES, "low_db": low,
            "high_db": high, "quiet_db": FAR_TOO_QUIET_DBFS, "beat_s": 60 / TEMPO_BPM, "lead_in_beats": LEAD_IN_BEATS,
            "gone_s": _GONE_S, "plan": self._plan, "keeps": self._keep is not None,
        }  # fmt: skip
        parts = {
            "ID": self._id, "NAME": html.escape(self._name), "SET": html.escape(json.dumps(given)),
            "TEMPO": f"{TEMPO_BPM:.0f} beats a minute", "NO_KERNEL": re.sub("<.*?>", "", NO_KERNEL),
        }  # fmt: skip
        box = _BOX
        for mark, text in parts.items():
            box = box.replace(f"__{mark}__", text)
        return f"{STYLE}{_STYLE}{box}{page_script(self._id, *_SCRIPTS)}"

    def _forget(self):
        self._token, self._rate, self._started = "", 48_000, datetime.now()
        self._pieces: list[bytes] = []
        self._frames = 0
        self._ended = False
        self._verdicts: Sequence[Verdict] = ()
        self._said = self._error = ""
        self.clip = None

    def _on_message(self, change):
        files = change["new"]
        if not files:
            return
        name, content = str(files[0]["name"]), bytes(files[0]["content"])
        self._inbox.value = ()
        message = self._message.fullmatch(name)
        if message is None:
            return
        kind, place, token, number = message[1], int(message[2]), message[3], message[4]
        self._error = ""
        sent = {}
        try:
            if kind == "begin":
                self._begin(token, content)
            elif kind == "band":
                sent["band"] = self._send(self._band, shipped("backing").clip)
            elif token == self._token:
                if kind == "piece":
                    self._take(place, content)
                elif kind == "end":
                    self._end()
                elif kind == "hear" and self.clip is not None:
                    sent["sound"] = self._send(self._sound, self.clip)
                elif kind == "keep" and self.clip is not None and self._keep is not None:
                    self._said = self._keep(self.clip, self._started)
                    self.clip, self._pieces = None, []
                elif kind == "again":
                    self._forget()
        except (ValueError, OSError) as error:
            self._error = str(error)
        except MemoryError:
            self._error = "take: this computer has too little memory for a take of that length; save it from the page."
        self._answer(number, **sent)

    def _begin(self, token: str, content: bytes):
        """A take begins, or one that the page still has is handed over from its start."""
        try:
            told = json.loads(content)
            rate, started = told["rate"], str(told["started"])
        except (ValueError, TypeError, LookupError):
            raise ValueError("take: the page began it without its sample rate; run the cell again.") from None
        rate = check_rate(rate)
        self._forget()
        self._token, self._rate = token, rate
        try:  # the page's clock: a class server may stand in another time zone
            self._started = datetime.strptime(started, "%Y-%m-%dT%H:%M:%S")
        except ValueError:
            self._started = datetime.now()

    def _take(self, number: int, samples: bytes):
        if self._ended or number != len(self._pieces) + 1:
            return  # the same piece once more: the page gives one again if no answer comes
        if self._frames + len(samples) // 4 > min(MOST_SAMPLES, 60 * LONGEST_MIN * self._rate) + _PIECE_FRAMES:
            raise ValueError(
                f"take: it is longer than {LONGEST_MIN} minutes; save it from the page, and load a part of it."
            )
        self._pieces.append(samples)
        self._frames += len(samples) // 4

    def _end(self):
        if self._ended:
            return
        self.clip = join_pieces(self._pieces, self._rate)
        self._pieces = [b""] * len(self._pieces)  # only their number is still asked for
        self._ended = True
        self._verdicts = self._judge(self.clip)

    @staticmethod
    def _send(widget, clip: Clip) -> dict:
        data = encode(clip)
        widget.value = data
        return {"bytes": len(data)}

    def _answer(self, number: str, **sent):
        state = {
            "answered": number, "token": self._token, "pieces": len(self._pieces), "ended": self._ended, "rate": self._rate,
            "seconds": self._frames / self._rate, "said": self._said, "error": self._error, **sent,
            "verdicts": [
                {"topic": v.topic, "word": v.word, "sentence": v.sentence, "fine": v.fine} for v in self._verdicts
            ],
        }  # fmt: skip
        self._line.value = f"<span>{html.escape(json.dumps(state, ensure_ascii=False), quote=False)}</span>"


class SoundCheck:
    """A sound check for a microphone: a few seconds of silence, a loud line, and what the workbook measures in them.

    Attributes
    ----------
    clip : Clip or None
        What was recorded last.
    verdicts : tuple of Verdict
        What was said about it: level, noise and hum.

    Notes
    -----
    Put it last in a cell to show it. Nothing is written to a file.
    """

    def __init__(self):
        self.clip: Clip | None = None
        self.verdicts: tuple[Verdict, ...] = ()
        self._recorder = Recorder(self._judge, plan=_CHECK_PLAN, name="Check the microphone")
        self.widget = widgets.VBox(self._recorder.widgets)

    def _judge(self, clip: Clip) -> tuple[Verdict, ...]:
        self.clip, self.verdicts = clip, judge_room(clip)
        return self.verdicts

    def _ipython_display_(self):
        display(HTML(self._recorder.html()))
        display(self.widget)


def take_recorder(keep: Callable[[Clip, datetime], str]) -> Recorder:
    """The box that records a take of a song; `keep` is as for :class:`Recorder`."""
    return Recorder(lambda clip: (judge_level(clip),), keep)
