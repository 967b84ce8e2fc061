"""A file appears whole or not at all, with and without the kernel's nameless files."""

from __future__ import annotations

import os
import stat

import pytest

from vocomp_lab.sound import files
from vocomp_lab.sound.files import whole_or_not_at_all, write_whole


@pytest.fixture(params=["nameless", "beside"])
def way(request, monkeypatch):
    """The two ways to make a file: one without a name until it is finished, and one under a hidden name."""
    if request.param == "beside":
        monkeypatch.setattr(files, "_nameless", lambda folder: None)
    elif not hasattr(os, "O_TMPFILE"):
        pytest.skip("this system has no files without a name")
    return request.param


def test_it_takes_its_place_at_the_end_with_an_ordinary_files_mode(way, tmp_path):
    target = tmp_path / "deep" / "er" / "out.txt"
    with whole_or_not_at_all(target) as beside:
        with open(beside, "w") as file:
            file.write("new")
        assert not target.exists()
        assert len(list(target.parent.iterdir())) == (way == "beside")
    (tmp_path / "plain").touch()
    assert target.read_text() == "new" and list(target.parent.iterdir()) == [target]
    assert stat.S_IMODE(target.stat().st_mode) == stat.S_IMODE((tmp_path / "plain").stat().st_mode)


def test_an_error_leaves_the_old_file_and_nothing_else(way, tmp_path):
    target = tmp_path / "out.txt"
    target.write_text("old")
    with pytest.raises(KeyboardInterrupt), whole_or_not_at_all(target) as beside:
        with open(beside, "w") as file:
            file.write("ha")
        raise KeyboardInterrupt
    assert target.read_text() == "old" and list(tmp_path.iterdir()) == [target]


def test_an_older_file_is_replaced_and_a_link_is_not_followed(way, tmp_path):
    other = tmp_path / "other.txt"
    other.write_text("another's")
    link = tmp_path / "link.txt"
    link.symlink_to(other)
    assert write_whole(link, "für µ\n") == link
    assert not link.is_symlink() and link.read_bytes() == "für µ\n".encode()
    assert other.read_text() == "another's" and set(tmp_path.iterdir()) == {other, link}


def test_a_target_that_is_a_folder_is_refused_and_leaves_nothing(way, tmp_path):
    (tmp_path / "out").mkdir()
    with pytest.raises(OSError):
        write_whole(tmp_path / "out", "text")
    assert list(tmp_path.iterdir()) == [tmp_path / "out"] and not list((tmp_path / "out").iterdir())
