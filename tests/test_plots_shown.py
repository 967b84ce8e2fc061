"""Text alternatives of the lessons' figures, contrast, and meaning that does not hang on colour."""

from __future__ import annotations

import json
import re
from html import unescape

import numpy as np
import pytest
from conftest import PROJECT, sine
from matplotlib import pyplot as plt
from matplotlib.colors import to_rgb
from matplotlib.lines import Line2D
from matplotlib.text import Text
from PIL import Image

from vocomp_lab.analysis.distortion import harmonics_db
from vocomp_lab.analysis.lowend import Pop
from vocomp_lab.analysis.times import measure_burst
from vocomp_lab.analysis.words import voiced_words
from vocomp_lab.bench.bench import Bench
from vocomp_lab.bench.mix import MixBench
from vocomp_lab.bench.regions import RegionBench
from vocomp_lab.pictures.character import plot_aliasing, plot_bursts, plot_harmonics
from vocomp_lab.pictures.control import (
    plot_blends,
    plot_onsets,
    plot_over_time,
    plot_release_and_beat,
    plot_static_curves,
    plot_word_loudness,
)
from vocomp_lab.pictures.filtering import plot_balances, plot_low_cuts, plot_reaction
from vocomp_lab.pictures.marks import class_in_words, plot_class, save_class_picture
from vocomp_lab.pictures.mix import plot_stage_reductions
from vocomp_lab.pictures.regions import plot_eye_and_ear
from vocomp_lab.pictures.shown import described, picture_html, show, tell
from vocomp_lab.pictures.style import BLUE, ORANGE
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.character import character
from vocomp_lab.processors.clip_gain import GainRegion
from vocomp_lab.processors.colour import Colour
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.filters import HighPass, Peaking
from vocomp_lab.processors.gain import Gain
from vocomp_lab.sound.audio import Clip

RATE = 16_000
WHITE = "#ffffff"


def contrast(one, other) -> float:
    """WCAG 2.1: the relative luminances' ratio, each with 0.05 added."""
    shades = np.array([to_rgb(one), to_rgb(other)])
    linear = np.where(shades <= 0.04045, shades / 12.92, ((shades + 0.055) / 1.055) ** 2.4)
    low, high = sorted(linear @ [0.2126, 0.7152, 0.0722])
    return (high + 0.05) / (low + 0.05)


def voice() -> Clip:
    """Two seconds of bursts of different loudness."""
    t = np.arange(2 * RATE) / RATE
    return Clip(np.where(t % 0.5 < 0.35, 0.1 + 0.2 * (t > 1), 1e-4) * np.sin(2 * np.pi * 220 * t), RATE)


def axes(count=1):
    figure, ax = plt.subplots(count, 1)
    return figure, ax


def _static():
    figure, ax = axes()
    plot_static_curves(ax, {f"{ratio}:1": Compressor(-30, ratio, 1, 80) for ratio in (2, 3, 4, 6, 8)})
    ax.set_title("The higher the ratio, the flatter the line")
    return figure, ["−15 at 0", "3:1: ", "level out (dBFS), −60 to 0"]


def _over_time():
    figure, ax = axes()
    plot_over_time(ax, {name: peak * np.hanning(RATE) for name, peak in (("one", 3.0), ("two", 12.5))}, RATE)
    return figure, ["12.5 at", "downward gain reduction (dB)"]


def _bursts():
    figure, both = axes(2)
    bursts = {name: measure_burst(character(name, release_ms=50), 0.1, 0.3) for name in ("vca", "opto")}
    plot_bursts(*both, bursts, 5, 50)
    return figure, ["attack of 5 ms, as set (dot): 63.2 at 5", "36.8 at 50"]


def _harmonics():
    figure, ax = axes()
    levels = {name: harmonics_db(character(name), 1000, -6) for name in ("fet", "tube")}
    plot_harmonics(ax, levels, low_db=-90)
    second = f"{levels['tube'][0]:.1f}".replace("-", "−")
    return figure, [f"tube, from the second harmonic on, in dB: {second}", "under −90.0"]


def _aliasing():
    figure, both = axes(2)
    plot_aliasing(*both, Colour(drive_db=6, asymmetry=0.03), freq_hz=7001, level_dbfs=0)
    return figure, ["0 false tones", "dB at 14 kHz"]


def _words():
    figure, ax = axes()
    after = Compressor(-30, 4, 1, 80).apply(voice()).output
    plot_word_loudness(ax, {"before": voice(), "after": after}, voiced_words(voice()))
    return figure, ["before (", "LU"]


def _blends():
    figure, ax = axes()
    plot_blends(ax, Compressor(-40, 6, 1, 40), (1, 0.6, 0.5, 0.4, 0.2))
    return figure, ["takes no more than", "mix 1: 0 at −70"]


def _onsets():
    figure, ax = axes()
    plot_onsets(ax, {"before": voice(), "after": Gain(3).apply(voice())}, [0.5, 1.0])
    return figure, ["within the first 50 ms", "−60 to 300"]


def _beat():
    figure, ax = axes()
    reductions = {f"release {k}": k + np.sin(np.arange(4 * RATE) / 3000) for k in (1, 2, 3)}
    plot_release_and_beat(ax, reductions, RATE, (0, 4), [1, 2, 3])
    return figure, ["beat (dotted): at 1", "release 2: "]


def _cuts():
    figure, ax = axes()
    plot_low_cuts(ax, {f"{hz} Hz": HighPass(hz, 2) for hz in (80, 120, 300)}, RATE, 196.2)
    return figure, ["80 Hz: −24.", "lowest note, 196 Hz"]


def _reaction():
    figure, both = axes(2)
    fast, soft = (Compressor(-30, ratio, 1, 80).apply(voice()).reduction_db for ratio in (4, 2))
    plot_reaction(both, voice(), Pop(1.0, -20.0), {"as it came": fast, "after the cut": soft})
    return figure, ["level of the low end: −", "across time (s), 0.85 to 1.45"]


def _balances():
    figure, ax = axes()
    plot_balances(ax, {"as it came": -12.3, "compressed": -9.1}, "as it came")
    return figure, ["as it came −12.3 dB; compressed −9.1 dB"]


def _eye():
    figure, ax = axes()
    plot_eye_and_ear(ax, [-6.2, -9.0, -3.1], [-18.4, -15.5, -21.0], ["low", "lantern", "quay"], {1, 2})
    told = ["lantern: loudness −15.5 LUFS, peak −9.0 dBFS", "quay: loudness −21.0 LUFS, peak −3.1 dBFS"]
    return figure, ["3 words", *told]


def _stages():
    figure = plt.figure()
    chain = Chain([("fast", Compressor(-20, 4, 1, 80)), ("slow", Compressor(-30, 2, 10, 200))])
    plot_stage_reductions(figure, chain.apply(voice()), [{"text": "lantern", "start_s": 0.5}])
    return figure, ["fast: ", "dB at most, at", "2 stages, and never more than"]


def _class():
    figure = plot_class([("01.1 easy", 0.9, 10, False), ("01.2 hard", 0.2, 10, False)], [("wrong sign", 4)])
    return figure, ["20 % of 10", "wrong sign, 4 times"]


FIGURES = [
    _static, _over_time, _bursts, _harmonics, _aliasing, _words, _blends, _onsets, _beat, _cuts, _reaction, _balances,
    _eye, _stages, _class,
]  # fmt: skip


@pytest.fixture(params=FIGURES, ids=lambda draw: draw.__name__[1:])
def drawn(request):
    figure, told = request.param()
    yield figure, told
    plt.close(figure)


def test_a_figure_is_told_with_its_finding_its_axes_and_its_numbers(drawn):
    figure, told = drawn
    words = described(figure)
    assert all(part in words for part in told), words
    assert 60 < len(words) < 1400 and "\n" not in words and "nan" not in words, words
    titles = [ax.get_title(loc=loc) for ax in figure.axes if ax.axison for loc in ("left", "center")]
    assert all(" ".join(title.split()) in words for title in titles)


def test_lettering_is_readable(drawn):
    """4.5:1 on white (criterion 1.4.3)."""
    figure, _ = drawn
    figure.canvas.draw()
    texts = [text for text in figure.findobj(Text) if text.get_visible() and text.get_text().strip()]
    assert len(texts) > 5
    poor = {(text.get_text(), text.get_color()) for text in texts if contrast(text.get_color(), WHITE) < 4.5}
    assert not poor


def looks(line: Line2D):
    """What tells a line apart besides its colour: dashes and marker."""
    return str(line._unscaled_dash_pattern), str(line.get_marker())


def test_lines_stand_out_and_are_told_apart_without_colour(drawn):
    """3:1 on white (criterion 1.4.11), and another dash pattern or marker for each that has a label (1.4.1)."""
    figure, _ = drawn
    for ax in figure.axes:
        named = [line for line in ax.lines if not line.get_label().startswith("_")]
        assert len({looks(line) for line in named}) == len(named), [(line.get_label(), looks(line)) for line in named]
        poor = {line.get_color() for line in ax.lines if contrast(line.get_color(), WHITE) < 3}
        assert not poor


def test_those_checks_find_what_is_wrong():
    figure, ax = axes()
    ax.plot([0, 1], color=ORANGE, label="one")
    ax.plot([1, 0], color=BLUE, label="two")
    ax.set_title("pale", color="#999999")
    for check in (test_lettering_is_readable, test_lines_stand_out_and_are_told_apart_without_colour):
        with pytest.raises(AssertionError):
            check((figure, []))
    plt.close(figure)


@pytest.mark.parametrize(
    ("processor", "told"),
    [
        (Compressor(-30, 3, 1, 80), ("threshold −30.0 dBFS", "−24.0 → −28.0", "0.0 → −20.0")),
        (Peaking(1000, -6), ("response: ", "−6.0 dB at 1000 Hz")),
        (Gain(-3), ("sample peak −", "crest factor ")),
        (Colour(6), ("curve, sample in → out: −1 → ",)),
    ],
    ids=["dynamics", "filter", "meters", "colour"],
)
def test_a_benchs_picture_is_readable_told_apart_and_told_in_words(processor, told):
    bench = Bench(voice(), processor)
    test_lettering_is_readable((bench._screen.picture.figure, []))
    for panel in bench._screen.picture.panels:
        lines = [line for line in panel.ax.lines if line.get_visible()]
        assert all(contrast(line.get_color(), WHITE) >= 3 for line in lines)
        named = [(*looks(line), line.get_linewidth()) for line in lines if not line.get_label().startswith("_")]
        assert len(set(named)) == len(named), named
    assert all(part in bench._screen.alt for part in told), bench._screen.alt
    assert (
        bench._screen.picture.finding(bench.change) in bench._screen.alt
        and len(re.findall(r"\d", bench._screen.alt)) > 20
    )


def test_the_pictures_of_regions_and_of_the_mix_tell_their_numbers():
    bench = RegionBench(voice(), [GainRegion(0.5, 0.9, -3.5)])
    assert "region 0.50 to 0.90 s, −3.5 dB" in bench._screen.alt
    test_lettering_is_readable((bench._screen.picture.figure, []))
    mix = MixBench(voice(), Gain(6).apply(voice()), Clip(sine(300, 2, RATE, -20), RATE), balance_lu=2)
    alt = json.loads(mix._player.state_text)["alt"]
    assert "the vocal is set to +2.0 LU over the band" in alt and "phrases, after: " in alt and "%" in alt


def test_the_class_picture_carries_its_text(tmp_path):
    numbers = [("01.1 easy", 0.9, 10, False), ("01.2 hard", 0.2, 10, False)], [("wrong sign", 4)]
    save_class_picture(*numbers, tmp_path / "class.png")
    words = class_in_words(*numbers)
    assert (
        "Hardest, right on 20 % of the sheets: 01.2 hard" in words
        and "01.1 easy 90 % of 10" in words
        and "wrong sign 4" in words
    )
    with Image.open(tmp_path / "class.png") as picture:
        assert picture.text["Description"] == words


def test_points_of_a_line_are_those_that_are_in_sight():
    figure, ax = axes()
    x = np.arange(0, 101.0)
    ax.plot(x, np.where(x == 37, 50.0, -x), label="a line")
    ax.set(xlim=(0, 40), xlabel="time (s)", ylabel="level (dB)")
    words = described(figure)
    assert "a line: 0 at 0, −10 at 10, −20 at 20, −30 at 30, −40 at 40; highest 50 at 37" in words
    tell(ax, "something else")
    assert "something else" in described(figure) and "a line" not in described(figure)
    plt.close(figure)


def test_showing_a_figure_puts_text_and_picture_out_and_closes_it():
    figure, ax = axes()
    ax.plot([0, 1], [0, 2], label='a "quoted" line')
    html = picture_html(figure)
    assert 'a "quoted" line: 0 at 0, 2 at 1.' in unescape(re.search(r'alt="([^"]*)"', html)[1])
    assert 'src="data:image/png;base64,' in html
    show(figure)
    assert not plt.fignum_exists(figure.number)


def test_no_notebook_shows_a_figure_without_its_text():
    """A figure that is made is shown by `show`, and nothing else puts pictures out."""
    made = shown = 0
    for path in sorted((PROJECT / "notebooks").rglob("*.ipynb")):
        parts = path.relative_to(PROJECT).parts
        if path.name.startswith("my_") or any(part.startswith(".") for part in parts):
            continue
        for cell in json.loads(path.read_text("utf-8"))["cells"]:
            source = "".join(cell["source"])
            if cell["cell_type"] == "markdown":
                alts = re.findall(r"!\[([^]]*)\]", source)
                assert all(len(alt) > 30 for alt in alts) and "<img" not in source, path.name
                continue
            assert not re.search(r"plt\.show|\.plot\.|Image\(|pyplot\.show", source), (path.name, source)
            made += len(re.findall(r"plt\.(?:subplots|figure)\(", source))
            shown += len(re.findall(r"^\s*show\(fig\)", source, re.MULTILINE))
    assert made == shown >= 15, (made, shown)
