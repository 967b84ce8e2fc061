"""A file appears whole or not at all, with and without the kernel's nameless files."""

from __future__ import annotations

import errno
import os
import stat

import pytest

from conftest import one_sentence

from vocomp_lab.sound import files
from vocomp_lab.sound.files import what_failed, whole_or_not_at_all, write_whole


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


def one_name_only(*names, **handles):
    raise OSError(errno.EPERM, os.strerror(errno.EPERM))


@pytest.mark.parametrize("links", [True, False])
@pytest.mark.parametrize("theirs", ["file", "link that leads nowhere"])
def test_whoever_finishes_first_has_a_free_name(way, links, theirs, tmp_path, monkeypatch):
    """Also on a file system on which a file has one name only."""
    if not links and way == "nameless":
        return  # such a file system has no files without a name either
    if not links:
        monkeypatch.setattr(os, "link", one_name_only)
    target = tmp_path / "out.txt"
    assert write_whole(target, "mine", overwrite=False).read_text() == "mine" and list(tmp_path.iterdir()) == [target]
    target.unlink()
    with pytest.raises(FileExistsError) as caught, whole_or_not_at_all(target, overwrite=False) as beside:
        with open(beside, "w") as file:
            file.write("mine")
        if theirs == "file":
            target.write_text("theirs")
        else:
            target.symlink_to(tmp_path / "nowhere")
    one_sentence(caught, f"path: '{target}' was made by something else", "give another name")
    assert list(tmp_path.iterdir()) == [target]
    assert target.is_symlink() if theirs != "file" else target.read_text() == "theirs"


def test_an_error_names_the_target_and_not_the_hidden_name(way, tmp_path):
    target = tmp_path / f"{'la' * 130}.txt"
    with pytest.raises(OSError) as caught:
        write_whole(target, "text")
    assert caught.value.filename == str(target) and caught.value.errno == errno.ENAMETOOLONG
    one_sentence(what_failed(caught.value), "path: ", "the name is too long; give a shorter one.")
    with pytest.raises(OSError) as caught, whole_or_not_at_all(tmp_path / "out.txt"):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))  # a write says no name
    one_sentence(what_failed(caught.value), f"path: '{tmp_path / 'out.txt'}'", "the disk is full; make room")
    assert not list(tmp_path.iterdir())


def test_every_refusal_of_the_system_is_a_sentence_with_a_name_and_what_to_do():
    for number in errno.errorcode:
        for name in ("a.wav", None, b"a.wav"):
            text = one_sentence(what_failed(OSError(number, os.strerror(number), name)), "; ")
            assert text.startswith("path: 'a.wav' can't" if name else "path: a file can't")
    assert what_failed(OSError("path: said already.")) == "path: said already."
