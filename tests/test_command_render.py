"""``python -m vocomp_lab render`` and ``measure``, as a person types them: results, refusals, and being stopped
midway."""

from __future__ import annotations

import contextlib
import errno
import io
import json
import math
import os
import pty
import re
import resource
import signal
import subprocess
import sys
import threading
import time
import unicodedata
import warnings
from pathlib import Path

import numpy as np
import pytest
import soundfile
from conftest import PROJECT, one_sentence, sine
from PIL import Image

from vocomp_lab.__main__ import main
from vocomp_lab.analysis.file_levels import LevelMeter, StepMeans, measure_file
from vocomp_lab.analysis.file_render import render_file
from vocomp_lab.analysis.loudness import loudness
from vocomp_lab.analysis.meters import active_mask, noise_floor_dbfs, reduction_stats
from vocomp_lab.commands import FAILED, FINE, WRONG_USAGE, ProgressBar
from vocomp_lab.pictures.reduction_axis import depth_for
from vocomp_lab.pictures.render import findings, render_figure
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.character import TubeCompressor
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.deesser import DeEsser
from vocomp_lab.processors.filters import HighPass
from vocomp_lab.processors.gain import Gain
from vocomp_lab.singer.song import shipped
from vocomp_lab.sound import audio
from vocomp_lab.sound.audio import Clip, SoundReader, SoundWriter, load, save
from vocomp_lab.sound.levels import (
    TruePeakMeter,
    crest_factor_db,
    rms_dbfs,
    sample_peak_dbfs,
    step_powers,
    true_peak_dbtp,
)

RATE = 48_000
CHAIN = Chain(
    [
        ("low cut", HighPass(90, 3)),
        ("sibilance", DeEsser()),
        ("peaks", Compressor(-20, 3, 1, 60, lookahead_ms=2)),
        ("steady", Compressor(-26, 2, 10, 150, knee_db=6, detector="rms", makeup_db=3)),
    ]
)
MEMORY_LIMIT_MB = 400


@pytest.fixture(scope="module")
def take(tmp_path_factory):
    """Nine seconds of a stereo take in a file, which is more than is read at a time, and the clip in it."""
    mono = shipped("lesson_verse_faulty").clip.cut(3, 12)
    path = tmp_path_factory.mktemp("take") / "take.wav"
    save(mono.with_samples(np.stack([mono.samples, 0.5 * np.roll(mono.samples, 9_000)], axis=1)), path)
    return path, load(path)


@pytest.fixture(scope="module")
def whole(take):
    """What the chain makes of that clip at once."""
    return CHAIN.apply(take[1])


@pytest.fixture
def sheet(tmp_path):
    path = tmp_path / "chain.json"
    path.write_text(CHAIN.to_json(), "utf-8")
    return path


def command(*arguments) -> list[str]:
    return [sys.executable, "-m", "vocomp_lab", *map(str, arguments)]


def told(capsys) -> str:
    """What was said on the standard error stream: one sentence, in one line."""
    text = capsys.readouterr().err.strip()
    assert len(text.splitlines()) == 1 and text.endswith(".") and "Traceback" not in text, text
    return text


def left(folder, *names):
    """Every file in the folder, also hidden ones, but these."""
    return sorted(path.name for path in folder.iterdir() if path.name not in names)


# ------------------------------------------------------------------------------------------------------------ results


@pytest.mark.parametrize(
    "name, subtype", [("out.wav", "DOUBLE"), ("out.wav", None), ("out.flac", None), ("out.wav", "pcm_16")]
)
def test_a_file_is_what_the_chain_makes_of_the_whole_clip(take, whole, sheet, tmp_path, name, subtype, capsys):
    path, clip = take
    extra = [] if subtype is None else ["--subtype", subtype]
    assert main(["render", str(path), "--sheet", str(sheet), "-o", str(tmp_path / name), *extra]) == FINE
    written = load(tmp_path / name)
    step = {"out.flac": 2.0**-24, "out.wav": {"DOUBLE": 1e-9, None: 1e-7, "pcm_16": 2.0**-16}[subtype]}[name]
    assert np.abs(written.samples - whole.output.samples).max() <= step * 1.01
    assert left(tmp_path, "chain.json") == sorted([name, "out.report.json", "out.report.png"])
    assert str(tmp_path / name) in capsys.readouterr().out


def test_the_report_says_what_was_done(take, whole, sheet, tmp_path):
    path, clip = take
    assert main(["render", str(path), "--sheet", str(sheet), "-o", str(tmp_path / "out.wav")]) == FINE
    report = json.loads((tmp_path / "out.report.json").read_text("utf-8"))
    assert Chain.from_json(json.dumps(report["sheet"])) == CHAIN
    for said, heard in ((report["input"], clip), (report["output"], whole.output)):
        assert said["loudness_lufs"] == pytest.approx(loudness(heard).integrated_lufs, abs=1e-5)
        assert said["peak_dbfs"] == pytest.approx(sample_peak_dbfs(heard), abs=1e-5)
    assert report["output"]["subtype"] == "FLOAT"
    assert [part["stage"] for part in report["reduction"]] == ["sibilance", "peaks", "steady"]
    active = active_mask(clip)
    for part in report["reduction"]:
        reduction_db = whole.stages[part["stage"]].reduction_db
        stats = reduction_stats(reduction_db, active)
        assert part["max_db"] == pytest.approx(reduction_db.max(), abs=1e-9)
        # From means of 10 ms, which blur a fast compressor a little.
        assert part["active"]["median_db"] == pytest.approx(stats.median_db, abs=0.05)
        assert part["active"]["share"] == pytest.approx(stats.share, abs=0.02)
    picture = Image.open(tmp_path / "out.report.png")
    assert picture.size[0] == 1000 and picture.size[1] > 800
    for part in report["reduction"]:
        assert f"{part['stage']}: over" in picture.text["Description"]
        assert f"at most {part['max_db']:.1f} dB" in picture.text["Description"]


def test_the_picture_shows_every_stage_and_its_finding(take, tmp_path):
    rendered = render_file(take[0], CHAIN, tmp_path / "out.wav")
    figure = render_figure(rendered)
    titles = [ax.get_title(loc="left") for ax in figure.axes]
    assert titles == findings(rendered)
    for title, track in zip(titles[1:], rendered.tracks, strict=True):
        assert title.startswith(track.name) and f"at most {track.max_db:.1f} dB" in title
    for ax, track in zip(figure.axes[1:], rendered.tracks):
        assert ax.get_ylim() == (depth_for(track.reduction_db.max()), 0)
        assert max(line.get_ydata().max() for line in ax.lines[:1]) == pytest.approx(track.reduction_db.max())
        assert "dB" in ax.get_ylabel()


def test_silence_and_a_chain_without_stages_are_drawn(tmp_path):
    save(Clip(np.zeros((RATE, 2)), RATE), tmp_path / "silence.wav")
    for chain in (Chain(), CHAIN):
        rendered = render_file(tmp_path / "silence.wav", chain, tmp_path / "out.wav", overwrite=True)
        data = io.BytesIO()
        render_figure(rendered).savefig(data, format="png")
        assert not load(tmp_path / "out.wav").samples.any()
        report = json.loads(rendered.to_json())
        assert report["input"]["loudness_lufs"] == "-inf" and report["input"]["crest_db"] is None


def test_no_report_where_none_is_wanted(take, sheet, tmp_path):
    assert main(["render", str(take[0]), "--sheet", str(sheet), "-o", str(tmp_path / "out.wav"), "--no-report"]) == FINE
    assert left(tmp_path, "chain.json") == ["out.wav"]


# ------------------------------------------------------------------------------------------------------------ refusals


def test_an_output_that_is_there_stays_unless_it_may_be_replaced(take, sheet, tmp_path, capsys):
    arguments = ["render", str(take[0]), "--sheet", str(sheet), "-o", str(tmp_path / "out.wav")]
    for name in ("out.wav", "out.report.png"):
        (tmp_path / name).write_text("mine")
        assert main(arguments) == WRONG_USAGE
        assert name in told(capsys) and (tmp_path / name).read_text() == "mine"
        if name == "out.wav":
            (tmp_path / name).unlink()
    assert main([*arguments, "--overwrite"]) == FINE
    assert Image.open(tmp_path / "out.report.png").size[0] == 1000


@pytest.mark.parametrize("way", ["plain", "roundabout", "symbolic link", "hard link"])
def test_the_input_is_never_the_output(take, sheet, tmp_path, way, capsys):
    source = tmp_path / "take.wav"
    source.write_bytes(take[0].read_bytes())
    before = source.read_bytes()
    target = {"plain": source, "roundabout": tmp_path / "x" / ".." / "take.wav"}.get(way, tmp_path / "other.wav")
    (tmp_path / "x").mkdir()
    if way == "symbolic link":
        target.symlink_to(source)
    elif way == "hard link":
        target.hardlink_to(source)
    assert main(["render", str(source), "--sheet", str(sheet), "-o", str(target), "--overwrite"]) == WRONG_USAGE
    assert "is the input itself" in told(capsys) and source.read_bytes() == before


@pytest.mark.parametrize(
    "what, name", [("settings sheet", "out.wav"), ("settings sheet", "out.report.json"), ("input", "out.report.png")]
)
@pytest.mark.parametrize("linked", [False, True])
def test_neither_sheet_nor_input_is_written_over(take, sheet, tmp_path, what, name, linked, capsys):
    """Not by a report either, and by no name of it."""
    kept = tmp_path / "kept" if linked else tmp_path / name
    kept.write_bytes((sheet if what == "settings sheet" else take[0]).read_bytes())
    before = kept.read_bytes()
    if linked:
        (tmp_path / name).symlink_to(kept)
    arguments = ["render", str(kept if what == "input" else take[0]), "-o", str(tmp_path / "out.wav"), "--overwrite"]
    assert main([*arguments, "--sheet", str(sheet if what == "input" else kept)]) == WRONG_USAGE
    one_sentence(told(capsys), f"'{tmp_path / name}' is the {what} itself; give another name.")
    assert kept.read_bytes() == before and len(left(tmp_path, "chain.json")) == 1 + linked


@pytest.mark.parametrize("name", ["out.wav", "out.report.json"])
def test_a_link_that_leads_nowhere_is_no_free_name(take, sheet, tmp_path, name, capsys):
    for to in ("nowhere", name):  # the second leads to itself
        (tmp_path / name).unlink(missing_ok=True)
        (tmp_path / name).symlink_to(to)
        assert main(["render", str(take[0]), "--sheet", str(sheet), "-o", str(tmp_path / "out.wav")]) == WRONG_USAGE
        assert name in told(capsys) and left(tmp_path, "chain.json") == [name]


def test_of_two_renders_into_one_name_the_second_says_so(take, sheet, tmp_path, monkeypatch, capsys):
    """The other one finishes while this one is at work."""
    out = tmp_path / "out.wav"
    arguments = ["render", str(take[0]), "--sheet", str(sheet), "-o", str(out)]
    monkeypatch.setattr(ProgressBar, "show", lambda bar, share: out.write_text("theirs"))
    assert main(arguments) == FAILED
    one_sentence(told(capsys), f"'{out}' was made by something else in the meantime", "give another name")
    assert out.read_text() == "theirs" and left(tmp_path, "chain.json") == ["out.wav"]
    assert main([*arguments, "--overwrite", "--no-report"]) == FINE and load(out).frames == take[1].frames


def test_a_file_is_opened_once_whatever_the_sheet(take, tmp_path, monkeypatch):
    opened = []
    start = SoundReader.__init__
    monkeypatch.setattr(SoundReader, "__init__", lambda reader, path: opened.append(path) or start(reader, path))
    four = Chain([(str(place), DeEsser(-24 - place)) for place in range(4)])
    render_file(take[0], four, tmp_path / "out.wav", "DOUBLE")
    assert len(opened) == 1 and left(tmp_path) == ["out.wav"]
    assert np.abs(load(tmp_path / "out.wav").samples - four.apply(take[1]).output.samples).max() < 1e-9


def test_nine_channels_as_flac_are_one_sentence(tmp_path):
    save(Clip(np.zeros((900, 9)), RATE), tmp_path / "nine.wav")
    for write in (
        lambda path: render_file(tmp_path / "nine.wav", Chain(), path),
        lambda path: save(load(tmp_path / "nine.wav"), path),
    ):
        with pytest.raises(ValueError) as caught:
            write(tmp_path / "nine.flac")
        one_sentence(caught, "'nine.flac' can't hold 9 channels", "FLAC takes 8", "write .wav instead")
    assert left(tmp_path) == ["nine.wav"]
    assert render_file(tmp_path / "nine.wav", Chain(), tmp_path / "out.wav").after.channels == 9


@pytest.mark.parametrize(
    "changes, code, part",
    [
        (dict(output="out.mp3"), WRONG_USAGE, "suffix '.mp3'"),
        (dict(output="."), WRONG_USAGE, "suffix"),
        (dict(output="folder.wav"), WRONG_USAGE, "is a folder"),
        (dict(subtype="PCM_12"), WRONG_USAGE, "'PCM_12'"),
        (dict(input="missing.wav"), FAILED, "there is no file"),
        (dict(input="text.wav"), FAILED, "can't be read"),
        (dict(input="empty.wav"), FAILED, "is empty"),
        (dict(input="nan.wav"), FAILED, "frame 70000 holds NaN"),
        (dict(sheet="missing.json"), FAILED, "sheet: there is no file"),
        (dict(sheet="text.wav"), FAILED, "not a settings sheet"),
        (dict(sheet="binary.json"), FAILED, "is not UTF-8 text"),
        (dict(sheet="wrong.json"), FAILED, "stage 'peaks': ratio: 0.5"),
        (dict(sheet="high.json"), FAILED, "stages: 'low cut': freq_hz"),
        (dict(output="text.wav/out.wav"), FAILED, "text.wav"),
    ],
)
def test_what_goes_wrong_is_one_sentence_and_leaves_nothing(take, sheet, tmp_path, changes, code, part, capsys):
    (tmp_path / "text.wav").write_text("la la la\n" * 40)
    (tmp_path / "folder.wav").mkdir()
    soundfile.write(str(tmp_path / "empty.wav"), np.zeros((0, 2)), RATE)
    broken = np.zeros((100_000, 2), np.float32)
    broken[70_000, 1] = np.nan
    soundfile.write(str(tmp_path / "nan.wav"), broken, RATE, subtype="FLOAT")
    (tmp_path / "binary.json").write_bytes(b"\xff\xfe\x00\x9d" * 30)
    (tmp_path / "wrong.json").write_text(CHAIN.to_json().replace('"ratio": 3.0', '"ratio": 0.5'))
    (tmp_path / "high.json").write_text(Chain([("low cut", HighPass(90_000))]).to_json())
    there = left(tmp_path)
    given = {name: str(tmp_path / value) if name != "subtype" else value for name, value in changes.items()}
    arguments = ["render", given.get("input", str(take[0])), "--sheet", given.get("sheet", str(sheet))]
    arguments += ["-o", given.get("output", str(tmp_path / "out.wav")), "--overwrite"]
    arguments += ["--subtype", given["subtype"]] if "subtype" in given else []
    assert main(arguments) == code
    assert part in told(capsys)
    assert left(tmp_path) == there


def test_peaks_that_do_not_fit_are_told_with_the_gain_that_does(tmp_path, capsys):
    save(
        Clip(np.concatenate([sine(440, 2, RATE, -20), sine(440, 2, RATE, 0), sine(440, 1, RATE, -20)]), RATE),
        tmp_path / "in.wav",
    )
    arguments = [
        "render",
        str(tmp_path / "in.wav"),
        "-o",
        str(tmp_path / "out.flac"),
        "--sheet",
        str(tmp_path / "sheet.json"),
    ]
    (tmp_path / "sheet.json").write_text(Chain([("up", Gain(7.04))]).to_json())
    assert main(arguments) == FAILED
    text = told(capsys)
    fits = float(re.search(r"Gain of (-[0-9.]+) dB", text).group(1))
    assert "+7.04 dBFS" in text and left(tmp_path) == ["in.wav", "sheet.json"]
    (tmp_path / "sheet.json").write_text(Chain([("up", Gain(7.04)), ("fit", Gain(fits))]).to_json())
    assert main(arguments) == FINE
    assert -0.2 < sample_peak_dbfs(load(tmp_path / "out.flac")) <= 0


@pytest.mark.parametrize(
    "arguments", [("render",), ("render", "a.wav"), ("render", "a.wav", "-o", "b.wav"), ("measure",)]
)
def test_a_call_that_lacks_something_says_how_it_should_be(capsys, arguments):
    with pytest.raises(SystemExit) as ended:
        main(list(arguments))
    assert ended.value.code == WRONG_USAGE and "usage: python -m vocomp_lab" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["out.wav", "out.flac", "a working copy"])
def test_a_full_disk_is_one_sentence_and_leaves_nothing(take, sheet, tmp_path, name, capsys):
    """A limit on the size of files stands in for the end of the disk."""
    if name != "a working copy":
        sheet.write_text(Chain(CHAIN.stages[2:]).to_json())  # no stage that asks for the power of its input
    out = tmp_path / (name if "." in name else "out.wav")
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, limits[1]))
    try:
        assert main(["render", str(take[0]), "--sheet", str(sheet), "-o", str(out)]) == FAILED
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    if name == "a working copy":
        one_sentence(told(capsys), f"path: '{tmp_path}' has no room for the working copy", "make room")
    else:
        one_sentence(told(capsys), f"path: '{name}'", "can't be written")
    assert left(tmp_path, "chain.json") == []


# ------------------------------------------------------------------------------------------------------ stopped midway


def written_so_far(child, folder) -> int:
    """Bytes of the file that a process is making: it has no name yet (Linux), or a hidden one beside the target."""
    sizes = [path.stat().st_size for path in folder.glob(".out-*")]
    for handle in Path(f"/proc/{child.pid}/fd").glob("*"):
        with contextlib.suppress(FileNotFoundError):  # closed since it was listed
            if os.readlink(handle).endswith("(deleted)"):
                sizes.append(handle.stat().st_size)
    return max(sizes, default=0)


@pytest.fixture(scope="module")
def long_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("long") / "long.wav"
    noise = np.random.default_rng(5).standard_normal((RATE * 10, 2)) * 0.05
    with soundfile.SoundFile(str(path), "w", RATE, 2, "PCM_16") as file:
        for _ in range(12):  # so long that it is never done before the signal comes, however busy the machine
            file.write(noise)
    return path


@pytest.mark.ci
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGKILL])
def test_stopped_midway_it_leaves_no_half_file(sheet, long_file, tmp_path, number):
    (tmp_path / "out.wav").write_text("the old one")
    child = subprocess.Popen(
        command("render", long_file, "--sheet", sheet, "-o", tmp_path / "out.wav", "--overwrite"),
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # a shell's background job ignores it
    )  # fmt: skip
    try:
        until = time.monotonic() + 60
        while written_so_far(child, tmp_path) < 100_000:
            assert child.poll() is None and time.monotonic() < until, child.communicate()[1]
            time.sleep(0.02)
        child.send_signal(number)
        _, err = child.communicate(timeout=60)
    finally:
        child.kill()
    assert (tmp_path / "out.wav").read_text() == "the old one"
    rest = left(tmp_path, "chain.json", "out.wav")
    if number != signal.SIGKILL:
        assert child.returncode == FAILED and rest == []
        assert len(err.strip().splitlines()) == 1 and "stopped" in err
    else:
        assert child.returncode == -signal.SIGKILL
        # Where files without a name are not to be had, what is left has a hidden name and never the target's.
        assert rest == [] if hasattr(os, "O_TMPFILE") else all(name.startswith(".out-") for name in rest)


# ------------------------------------------------------------------------------------------------- memory and progress


@pytest.mark.skipif(
    not os.path.exists("/proc/self/status"), reason="this system has no /proc to read a process's peak memory from"
)
@pytest.mark.ci
def test_minutes_of_stereo_stay_under_the_memory_limit(sheet, tmp_path):
    """Peak resident memory of the command with a coloured chain, which holds the most. An hour is measured by hand, in
    tests/benchmarks/bench_render.py.
    """
    voice = np.tile(shipped("lesson_verse_faulty").clip.samples, 5)
    soundfile.write(str(tmp_path / "in.wav"), np.stack([voice, voice[::-1]], axis=1), RATE, subtype="PCM_16")
    sheet.write_text(Chain([*CHAIN.stages, ("colour", TubeCompressor())]).to_json())
    # What getrusage calls the peak of a process counts the one that started it, too.
    script = (
        "import re, sys; from vocomp_lab.__main__ import main; code = main(sys.argv[1:]);"
        "print(re.search(r'VmHWM:\\s+(\\d+) kB', open('/proc/self/status').read())[1]); sys.exit(code)"
    )
    shown = subprocess.run(
        [sys.executable, "-c", script, "render", str(tmp_path / "in.wav"), "--sheet", str(sheet), "-o", str(tmp_path / "out.wav")],
        capture_output=True, text=True, timeout=300, cwd=PROJECT,
    )  # fmt: skip
    assert shown.returncode == FINE, shown.stderr
    assert shown.stderr == ""  # no bar where nobody looks
    megabytes = int(shown.stdout.split()[-1]) * 1024 / 1e6
    print(f"peak resident memory {megabytes:.0f} MB")
    assert megabytes < MEMORY_LIMIT_MB


@pytest.mark.ci
def test_a_bar_is_shown_on_a_terminal(take, sheet, tmp_path):
    ours, theirs = pty.openpty()
    child = subprocess.Popen(
        command("render", take[0], "--sheet", sheet, "-o", tmp_path / f"out.wav{'_long' * 9}.wav"),
        stdout=subprocess.DEVNULL,
        stderr=theirs,
    )
    os.close(theirs)
    seen = bytearray()

    def read():
        try:
            while part := os.read(ours, 4096):
                seen.extend(part)
        except OSError:  # the other end was closed
            pass

    reader = threading.Thread(target=read)
    reader.start()
    assert child.wait(120) == FINE
    reader.join(10)
    os.close(ours)
    assert b"100 %" in seen and b"out.wav" in seen and b"\r[" in seen
    assert max(len(line) for line in re.split(rb"[\r\n]+", bytes(seen))) < 80


def test_progress_only_goes_up_and_ends_at_one(take, tmp_path):
    shares = []
    render_file(take[0], CHAIN, tmp_path / "out.wav", progress=shares.append)
    assert shares == sorted(shares) and shares[-1] == 1.0 and len(shares) > 3


def test_a_bar_says_nothing_where_there_is_no_terminal():
    stream = io.StringIO()
    with ProgressBar("it", stream) as bar:
        bar.show(0.5)
        bar.show(1.0)
    assert stream.getvalue() == ""


def test_a_bar_ends_its_line_and_shows_its_label(monkeypatch):
    stream = io.StringIO()
    stream.isatty = lambda: True
    monkeypatch.setattr("vocomp_lab.commands._BAR_EVERY_S", 0.0)
    with ProgressBar(stream=stream) as bar:
        bar.show(0.25, "1 of 4")
        bar.show(1.0, "4 of 4")
    first, second = stream.getvalue().split("\r")[1:]
    assert first.startswith("[##########..............................]  25 %") and first.endswith("1 of 4")
    assert second.startswith(f"[{'#' * 40}] 100 %") and second.endswith("4 of 4\n")


@pytest.mark.parametrize(
    "columns, label", [(80, "lesson_verse_" * 9), (200, "声" * 60), (30, "take.wav"), (0, "e\u0301" * 99)]
)
def test_a_bar_never_wraps(monkeypatch, columns, label):
    """Whatever its label, at 80 columns; and on a narrower terminal. A wide letter takes two columns, an accent none."""
    stream = io.StringIO()
    stream.isatty, stream.fileno = lambda: True, lambda: 2
    monkeypatch.setattr("vocomp_lab.commands._BAR_EVERY_S", 0.0)
    monkeypatch.setattr(os, "get_terminal_size", lambda handle: os.terminal_size((columns, 24)))
    with ProgressBar(stream=stream) as bar:
        bar.show(0.01, label)
        bar.show(1.0, "a\nb")
    first, second = stream.getvalue().rstrip("\n").split("\r")[1:]
    for line in (first, second):
        wide = sum(unicodedata.east_asian_width(letter) in "WF" for letter in line)
        accents = sum(map(bool, map(unicodedata.combining, line)))
        assert 20 < len(line) + wide - accents < min(columns or 80, 80) and line.isprintable()
    assert first.endswith("...") and first.startswith("[....")


def test_a_short_label_leaves_nothing_of_a_long_one(monkeypatch):
    stream = io.StringIO()
    stream.isatty = lambda: True
    monkeypatch.setattr("vocomp_lab.commands._BAR_EVERY_S", 0.0)
    with ProgressBar(stream=stream) as bar:
        bar.show(0.5, "second_verse_clean")
        bar.show(0.6, "backing")
    first, second = stream.getvalue().rstrip("\n").split("\r")[1:]
    assert len(first) == len(second) and second.rstrip().endswith("  backing")


# ------------------------------------------------------------------------------------------------------- large WAV
# files


def test_a_wav_file_over_its_limit_is_written_as_rf64(tmp_path, monkeypatch):
    monkeypatch.setattr(audio, "_WAV_LIMIT_BYTES", 40_000)
    samples = np.random.default_rng(1).uniform(-1, 1, (6_000, 2))
    with SoundWriter(tmp_path / "big.wav", RATE, 2, "FLOAT", frames=6_000) as writer:
        writer.write(samples)
    assert soundfile.info(str(tmp_path / "big.wav")).format == "RF64"
    assert np.abs(load(tmp_path / "big.wav").samples - samples).max() < 1e-7
    with pytest.raises(ValueError) as caught, SoundWriter(tmp_path / "surprise.wav", RATE, 2, "FLOAT") as writer:
        writer.write(samples)
    one_sentence(caught, "'surprise.wav'", ".flac")
    assert left(tmp_path) == ["big.wav"]


# ------------------------------------------------------------------------------------------------------------- measure


@pytest.mark.parametrize("name", ["lesson_verse_faulty", "second_verse_clean", "backing"])
def test_a_file_is_measured_as_the_whole_clip_is(name, tmp_path):
    clip = shipped(name)
    clip = getattr(clip, "clip", clip)
    levels = measure_file(save(clip, tmp_path / "it.wav", "DOUBLE"))
    loud = loudness(clip)
    assert levels.peak_dbfs == sample_peak_dbfs(clip)
    assert levels.true_peak_dbtp == pytest.approx(true_peak_dbtp(clip), abs=1e-9)
    assert levels.rms_dbfs == pytest.approx(rms_dbfs(clip), abs=1e-9)
    assert levels.crest_db == pytest.approx(crest_factor_db(clip, active_mask(clip)), abs=1e-9)
    assert levels.loudness_lufs == pytest.approx(loud.integrated_lufs, abs=1e-9)
    assert levels.range_lu == pytest.approx(loud.range_lu, abs=1e-9)
    assert levels.noise_floor_dbfs == pytest.approx(noise_floor_dbfs(clip, active_mask(clip)), abs=1e-6)
    assert levels.active_share == pytest.approx(active_mask(clip).mean(), abs=0.002)


@pytest.mark.parametrize("rate", [8_000, 22_050, 44_100])
def test_a_meter_reads_the_same_however_it_is_fed(rate, rng):
    samples = rng.standard_normal((rate, 2)) * np.linspace(0, 0.5, rate)[:, None]
    clip, meter = Clip(samples, rate), LevelMeter(rate, 2)
    for block in np.split(samples, [1, 7, 7, 3_000, 3_001]):
        meter.feed(block)
    levels = meter.levels()
    assert levels.true_peak_dbtp == pytest.approx(true_peak_dbtp(clip), abs=1e-9)
    assert levels.noise_floor_dbfs == pytest.approx(noise_floor_dbfs(clip, active_mask(clip)), abs=1e-6, nan_ok=True)
    edges, powers = step_powers(clip, 10)
    steps = StepMeans.of_ms(10, rate)
    for block in np.split((samples**2).mean(axis=1), [5, 4_000]):
        steps.feed(block)
    assert np.allclose(steps.means(), powers, rtol=1e-12) and len(powers) == len(edges) - 1


@pytest.mark.parametrize("at", [0, 1, 511, 512, 700, 1_023])
def test_true_peak_between_two_blocks_is_seen(at):
    """A quarter-rate tone at 45° whose samples never show its top: 3.01 dB under it."""
    tone = np.sin(np.pi / 2 * np.arange(1_024) + np.pi / 4)
    tone *= np.hanning(1_024)
    meter = TruePeakMeter(RATE, 1)
    for block in np.split(tone[:, None], [at]):
        meter.feed(block)
    assert meter.dbtp() == pytest.approx(true_peak_dbtp(Clip(tone, RATE)), abs=1e-9)
    assert meter.dbtp() > sample_peak_dbfs(Clip(tone, RATE)) + 2.9


def test_a_table_for_a_folder_and_a_broken_file_that_stops_nobody(tmp_path, capsys):
    tone = Clip(sine(997, 2, RATE, -12), RATE)
    save(tone, tmp_path / "b.wav")
    save(tone.gained(-6), tmp_path / "c.flac")
    (tmp_path / "a.wav").write_text("no sound")
    (tmp_path / "notes.txt").write_text("not asked for")
    assert main(["measure", str(tmp_path)]) == FAILED
    captured = capsys.readouterr()
    one_sentence(captured.err.strip(), "'a.wav'")
    lines = captured.out.splitlines()
    assert len(lines) == 4 and "dBTP" in lines[1] and "loudness" in lines[0]
    assert re.search(r"b\.wav +0:00:02\.0 +48000 +1 +−12\.0 +−12\.0 +−15\.0 +3\.0 +−15\.0 +0\.0 +–$", lines[2])
    assert "c.flac" in lines[3] and "−18.0" in lines[3]
    assert len({len(line) for line in lines[2:]}) == 1
    (tmp_path / "a.wav").unlink()
    assert main(["measure", str(tmp_path / "b.wav"), str(tmp_path / "c.flac")]) == FINE


def test_a_folder_that_may_not_be_read_stops_nobody(tmp_path, monkeypatch, capsys):
    """Nor a file in a folder that may be listed and not entered. A stand-in, since an administrator may read everything."""
    listed, closed = tmp_path / "listed", tmp_path / "closed"
    listed.mkdir()
    closed.mkdir()
    for path in (listed / "a.wav", tmp_path / "b.wav"):
        save(Clip(sine(997, 1, RATE, -12), RATE), path)
    look, ask = os.listdir, os.stat

    def refuse(function, *names):
        def either(path, *more, **others):
            if str(path) in names:
                raise PermissionError(errno.EACCES, "Permission denied", str(path))
            return function(path, *more, **others)

        return either

    monkeypatch.setattr(os, "listdir", refuse(look, str(closed)))
    monkeypatch.setattr(os, "scandir", refuse(os.scandir, str(closed)))
    monkeypatch.setattr(os, "stat", refuse(ask, str(listed / "a.wav")))
    for options in ([], ["--json"]):
        assert main(["measure", *options, *map(str, (closed, listed, tmp_path / "b.wav"))]) == FAILED
        captured = capsys.readouterr()
        first, second = captured.err.strip().splitlines()
        one_sentence(first, f"path: '{closed}'", "you may not open or change it; choose another place")
        one_sentence(second, "path: 'a.wav'", "you may not open")
    rows = json.loads(captured.out)
    assert [("error" in row, Path(row["file"]).name) for row in rows] == [
        (True, "closed"),
        (True, "a.wav"),
        (False, "b.wav"),
    ]


def test_hidden_files_are_passed_over_with_a_line(tmp_path, capsys):
    tone = Clip(sine(997, 1, RATE, -12), RATE)
    save(tone, tmp_path / "take.wav")
    for name in ("._take.wav", ".out-1a2b3c4d.wav", ".x.flac", ".y.flac", ".z.flac"):
        (tmp_path / name).write_bytes(b"half a file")
    (tmp_path / ".settings").write_text("no sound, so not a word on it")
    assert main(["measure", str(tmp_path)]) == FINE
    captured = capsys.readouterr()
    one_sentence(captured.err.strip(), f"hidden in '{tmp_path}' and passed over: '._take.wav'", " and 2 more.")
    assert len(captured.out.splitlines()) == 3 and "take.wav" in captured.out
    (tmp_path / "take.wav").rename(tmp_path / ".take.wav")
    assert main(["measure", str(tmp_path / ".take.wav")]) == FINE  # who names it means it
    assert "passed over" not in capsys.readouterr().err


@pytest.mark.parametrize("highest", [1.7e308, 1e200, 1e9])
def test_samples_far_over_full_scale_are_one_sentence(tmp_path, highest, capsys):
    samples = np.zeros((RATE, 2))
    samples[RATE // 2 :, 1] = -highest
    soundfile.write(str(tmp_path / "loud.wav"), samples, RATE, subtype="DOUBLE")
    (tmp_path / "sheet.json").write_text(Chain([("low cut", HighPass(90))]).to_json())
    out = str(tmp_path / "out.wav")
    for arguments in (["measure"], ["render", "-o", out, "--sheet", str(tmp_path / "sheet.json")]):
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            assert main([*arguments, str(tmp_path / "loud.wav")]) == FAILED
        one_sentence(
            told(capsys), "'loud.wav' was read, but", f"frame {RATE // 2} holds {highest:.3g}", "full scale is 1"
        )
    assert left(tmp_path) == ["loud.wav", "sheet.json"]
    soundfile.write(str(tmp_path / "loud.wav"), samples * (999_999 / highest), RATE, subtype="DOUBLE")
    assert measure_file(tmp_path / "loud.wav").peak_dbfs == pytest.approx(120, abs=1e-4)


def test_levels_as_json(tmp_path, capsys):
    save(Clip(np.zeros(RATE), RATE), tmp_path / "silence.wav")
    assert main(["measure", "--json", str(tmp_path / "silence.wav"), str(tmp_path / "gone.wav")]) == FAILED
    captured = capsys.readouterr()
    silence, gone = json.loads(captured.out)
    assert silence["loudness_lufs"] == "-inf" and silence["noise_floor_dbfs"] == "-inf" and silence["crest_db"] is None
    assert silence["duration_s"] == 1.0 and "no file" in gone["error"] and "no file" in captured.err


def test_a_folder_without_sound_is_told(tmp_path, capsys):
    assert main(["measure", str(tmp_path)]) == FAILED
    assert "no sound file" in told(capsys)


def test_a_reader_counts_and_cuts_as_it_is_told(take):
    with SoundReader(take[0]) as reader:
        lengths = [len(block) for block in reader.blocks(100_003)]
        assert sum(lengths) == reader.frames_read == take[1].frames == reader.claimed_frames
        assert set(lengths[:-1]) == {100_003} and reader.channels == 2 and reader.rate == RATE
    assert math.isclose(take[1].duration_s, sum(lengths) / RATE)
