"""Threads beside the chain: the same file and report bit for bit, errors that come through, and how the work is cut."""

from __future__ import annotations

import dataclasses
import threading

import numpy as np
import pytest

from vocomp_lab.analysis import alongside, file_render
from vocomp_lab.analysis.alongside import Alongside
from vocomp_lab.analysis.file_levels import LevelMeter
from vocomp_lab.analysis.file_render import render_file
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.filters import HighPass, Peaking
from vocomp_lab.singer.song import shipped
from vocomp_lab.sound import audio
from vocomp_lab.sound.audio import save

CHAIN = Chain(
    [
        ("low cut", HighPass(90)),
        ("boxiness", Peaking(400, -4, 2)),
        ("peaks", Compressor(-14, 3, 1, 60)),
        ("steady", Compressor(-24, 2, 10, 150, knee_db=6, detector="rms", makeup_db=3)),
    ]
)


@pytest.fixture(scope="module")
def take(tmp_path_factory):
    mono = shipped("lesson_verse_faulty").clip.cut(2, 10)
    stereo = np.stack([mono.samples, 0.7 * np.roll(mono.samples, 2_000)], axis=1)
    return save(mono.with_samples(stereo), tmp_path_factory.mktemp("take") / "take.wav")


def test_any_number_of_threads_gives_the_same_bits(take, tmp_path):
    made, reports = [], []
    for threads in (1, 2, 3, 4, None):
        target = tmp_path / f"{threads}" / "out.wav"
        target.parent.mkdir()
        rendered = render_file(take, CHAIN, target, "DOUBLE", threads=threads)
        curves = rendered.before_lufs, rendered.after_lufs, *(track.reduction_db for track in rendered.tracks)
        reports.append((rendered.to_json(), *(curve.tobytes() for curve in curves)))
        made.append(audio.load(target).samples.tobytes())  # not the file itself: it holds the time of day
    assert len(set(made)) == 1 and len(set(reports)) == 1


def test_what_is_set_aside_really_runs_aside_and_in_order():
    done, names = [], set()

    def note(value):
        done.append(value)
        names.add(threading.current_thread().name)

    with Alongside(3) as threads:
        receivers = [threads.receiver(lambda value, part=part: note((part, value))) for part in range(3)]
        for value in range(50):
            for receive in receivers:
                receive(value)
    assert threading.current_thread().name not in names
    for part in range(3):
        assert [value for at, value in done if at == part] == list(range(50))


def test_an_error_in_a_thread_comes_through_and_leaves_nothing(take, tmp_path, monkeypatch):
    fed = []

    def feed(self, block):
        fed.append(len(block))
        if len(fed) == 4:
            raise OSError("the disk is full.")

    monkeypatch.setattr(LevelMeter, "feed", feed)
    before = threading.active_count()
    for threads in (1, 2, 4):
        fed.clear()
        with pytest.raises(OSError, match="the disk is full"):
            render_file(take, CHAIN, tmp_path / "out.wav", threads=threads)
        assert not list(tmp_path.iterdir()) and threading.active_count() == before


def test_an_error_beside_the_threads_stops_them_at_once():
    """What still waits is dropped: nobody waits for work that is thrown away."""
    begun, go_on, done = threading.Event(), threading.Event(), []

    def slow(value):
        begun.set()
        assert go_on.wait(10)
        done.append(value)

    with pytest.raises(KeyboardInterrupt):
        with Alongside(2) as threads:
            receive = threads.receiver(slow)
            for value in range(3):
                receive(value)
            assert begun.wait(10)
            threading.Timer(0.05, go_on.set).start()
            raise KeyboardInterrupt
    assert done == [0]


def test_few_blocks_are_held_at_a_time(take, tmp_path, monkeypatch):
    """Memory: a reader that is faster than the meters waits for them, and reads little at a time."""
    read, measured, most_ahead = [], [], []
    real_blocks, real_feed = audio.SoundReader.blocks, LevelMeter.feed

    def blocks(self, *args):
        for block in real_blocks(self, *args):
            read.append(len(block))
            most_ahead.append(len(read) - len(measured) / 2)
            yield block

    def feed(self, block):
        real_feed(self, block)
        measured.append(1)

    monkeypatch.setattr(audio.SoundReader, "blocks", blocks)
    monkeypatch.setattr(LevelMeter, "feed", feed)
    monkeypatch.setattr(file_render, "PIECE_FRAMES", 1 << 13)
    render_file(take, CHAIN, tmp_path / "out.wav", threads=4)
    assert max(read) == 1 << 13 and len(read) > 40
    assert max(most_ahead) <= alongside._WAITING + 4


def test_a_meter_reads_the_same_whatever_lies_in_memory(take):
    """Samples channel by channel or frame by frame: bit for bit."""
    samples = audio.load(take).samples
    readings = []
    for block in (np.ascontiguousarray(samples), np.asfortranarray(samples), samples[::-1][::-1]):
        meter = LevelMeter(48_000, 2)
        meter.feed(block)
        readings.append(dataclasses.astuple(meter.levels()))
    assert len(set(readings)) == 1
