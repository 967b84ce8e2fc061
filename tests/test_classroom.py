"""The class server without a server: handing out the lessons, limiting memory, collecting the answers."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest
from conftest import PROJECT, one_sentence

from vocomp_lab.__main__ import main
from vocomp_lab.exercises.handed_in import gather
from vocomp_lab.exercises.sheets import Entry, Sheet, load_sheet, sheet_name
from vocomp_lab.jupyter import classroom
from vocomp_lab.jupyter.classroom import FOLDER, hand_out
from vocomp_lab.jupyter.collecting import collect, homes_of_group

pytestmark = pytest.mark.skipif(os.name == "nt", reason="JupyterHub and the system's groups are not for Windows")


def names(folder):
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


@pytest.fixture
def lessons(tmp_path):
    """A workbook of three notebooks, with what must not be handed out beside them."""
    folder = tmp_path / "workbook" / "notebooks"
    for name in ("00_a.ipynb", "01_b.ipynb", "homework/homework_01.ipynb"):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(f"as shipped: {name}")
    others = ("my_own.ipynb", ".ipynb_checkpoints/00_a-checkpoint.ipynb", ".state/x.json", "homework/answers/s.json")
    for name in others:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text("the teacher's own")
    return folder


# -------------------------------------------------------------------------------------------------------- handing out


def test_a_new_student_gets_every_lesson_and_homework_and_nothing_else(tmp_path, lessons):
    home = tmp_path / "home" / FOLDER
    new = hand_out(home, lessons)
    assert names(home) == ["00_a.ipynb", "01_b.ipynb", "homework/homework_01.ipynb"]
    assert [path.relative_to(home).as_posix() for path in new] == names(home)
    assert (home / "homework/homework_01.ipynb").read_bytes() == (lessons / "homework/homework_01.ipynb").read_bytes()
    assert home.stat().st_mode & 0o777 == 0o700, "other students may not look in"
    assert os.access(home / "00_a.ipynb", os.W_OK)


def test_the_workbooks_own_notebooks_are_handed_out(tmp_path):
    hand_out(tmp_path / FOLDER)
    given = {name for name in names(PROJECT / "notebooks") if name.endswith(".ipynb") and "/." not in f"/{name}"}
    given = {name for name in given if not name.startswith("my_")}
    assert {"00_start_here.ipynb", "04_peak_control.ipynb", "homework/homework_project.ipynb"} <= given
    assert all(any(name.startswith(f"{part}/") for name in given) for part in ("appendices", "reference"))
    assert set(names(tmp_path / FOLDER)) == given


def test_later_only_what_is_missing_comes_and_nothing_that_is_there_is_touched(tmp_path, lessons):
    home = tmp_path / FOLDER
    hand_out(home, lessons)
    (home / "00_a.ipynb").write_text("the student's work")
    (home / "01_b.ipynb").unlink()
    (home / "my_notes.ipynb").write_text("the student's notes")
    (lessons / "00_a.ipynb").write_text("a newer lesson")
    (lessons / "02_c.ipynb").write_text("a new lesson")
    own = ("00_a.ipynb", "my_notes.ipynb", "homework/homework_01.ipynb")
    kept = {name: (home / name).stat().st_mtime_ns for name in own}
    assert [path.name for path in hand_out(home, lessons)] == ["01_b.ipynb", "02_c.ipynb"]
    assert (home / "00_a.ipynb").read_text() == "the student's work"
    assert {name: (home / name).stat().st_mtime_ns for name in own} == kept
    assert hand_out(home, lessons) == []


def test_a_link_in_the_way_is_left_alone_and_not_followed(tmp_path, lessons):
    home, elsewhere = tmp_path / FOLDER, tmp_path / "elsewhere"
    home.mkdir()
    (home / "00_a.ipynb").symlink_to(elsewhere)  # to nothing: writing through it would make a file there
    hand_out(home, lessons)
    assert not elsewhere.exists() and (home / "00_a.ipynb").is_symlink()


def test_a_file_that_comes_meanwhile_is_not_overwritten(tmp_path, lessons, monkeypatch):
    """The student's file appears after the look at what is there and before the copy takes its name."""
    home, link = tmp_path / FOLDER, os.link

    def late(source, target):
        if target.name == "00_a.ipynb":
            target.write_text("the student's work")
        return link(source, target)

    monkeypatch.setattr(classroom.os, "link", late)
    assert [path.name for path in hand_out(home, lessons)] == ["01_b.ipynb", "homework_01.ipynb"]
    assert (home / "00_a.ipynb").read_text() == "the student's work"
    assert names(home) == ["00_a.ipynb", "01_b.ipynb", "homework/homework_01.ipynb"], "something was left behind"


def test_a_disk_that_is_full_leaves_no_half_lesson(tmp_path, lessons, monkeypatch):
    def full(source, target):
        raise OSError(28, "No space left on device", str(target))

    monkeypatch.setattr(classroom.os, "link", full)
    with pytest.raises(OSError, match="No space"):
        hand_out(tmp_path / FOLDER, lessons)
    assert names(tmp_path / FOLDER) == []


# ------------------------------------------------------------------------------------------------------------ starting

# JupyterHub's part is taken by a module that says what it was given.
TOLD = """
import json, os, resource, sys
try:
    bytearray(3 * 2**30)
    memory = "as much as it likes"
except MemoryError:
    memory = "bounded"
print(json.dumps({"arguments": sys.argv[1:], "folder": os.getcwd(), "memory": memory,
                  "safe": sys.flags.safe_path, "child": resource.getrlimit(resource.RLIMIT_DATA)[0]}))
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="RLIMIT_DATA bounds all memory on Linux only")
def test_the_start_hands_out_bounds_memory_and_becomes_the_server(tmp_path):
    (tmp_path / "fake" / "jupyterhub").mkdir(parents=True)
    (tmp_path / "fake" / "jupyterhub" / "__init__.py").write_text("")
    (tmp_path / "fake" / "jupyterhub" / "singleuser.py").write_text(TOLD)
    home = tmp_path / "home"
    home.mkdir()
    (home / "json.py").write_text("raise SystemExit('a file of the student took the place of a module')")
    # Without -I, which would keep the module that stands in for JupyterHub's from being found.
    started = subprocess.run(
        [sys.executable, "-P", classroom.__file__, "--one", "two"],
        cwd=home, capture_output=True, text=True, timeout=60,
        env={"HOME": str(home), "MEM_LIMIT": str(2**31), "PYTHONPATH": str(tmp_path / "fake")},
    )  # fmt: skip
    assert started.returncode == 0, started.stderr
    told = json.loads(started.stdout)
    assert told == {
        "arguments": ["--one", "two"], "folder": str(home), "memory": "bounded", "safe": True, "child": 2**31
    }  # fmt: skip
    assert (home / FOLDER / "00_start_here.ipynb").is_file() and "handed out" in started.stderr


def test_what_the_student_has_put_in_the_way_does_not_keep_the_server_from_starting(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.delenv("MEM_LIMIT", raising=False)
    (tmp_path / FOLDER).write_text("a file where the folder should be")
    started = []
    monkeypatch.setattr(classroom.os, "execv", lambda program, command: started.append(command))
    classroom.main(["--x"])
    assert started == [[sys.executable, "-P", "-m", "jupyterhub.singleuser", "--x"]]
    assert "could not be completed" in capsys.readouterr().err


def test_the_start_stands_on_the_standard_library_alone():
    """It runs at every login; the workbook and what it imports would cost a second of processor time each."""
    code = f"import runpy, sys; runpy.run_path({classroom.__file__!r}); print(*sys.modules)"
    done = subprocess.run([sys.executable, "-I", "-c", code], capture_output=True, text=True, check=True)
    loaded = {name.split(".")[0] for name in done.stdout.split()}
    assert "tempfile" in loaded and not {"numpy", "scipy", "vocomp_lab", "jupyterhub"} & loaded


# ---------------------------------------------------------------------------------------------------------- collecting


def answer(homes, login, learner=None, homework="04", name=None, number=1.0):
    """A sheet in a student's home; gives the file."""
    learner = learner or login
    folder = homes[login] / FOLDER / "homework" / "answers"
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / (name or sheet_name(homework, learner))
    file.write_text(Sheet(homework, learner, {"caught": Entry({"number": number}, 1)}).to_json(), "utf-8")
    return file


@pytest.fixture
def homes(tmp_path):
    homes = {login: tmp_path / "homes" / login for login in ("ann", "bob", "cy", "dee")}
    for home in homes.values():
        home.mkdir(parents=True)
    return homes


def test_sheets_come_out_of_the_homes_and_can_be_marked(tmp_path, homes):
    answer(homes, "ann"), answer(homes, "ann", homework="01"), answer(homes, "bob")
    (homes["bob"] / FOLDER / "homework" / "answers" / ".homework_04_bob.json.new").write_text("half")
    (homes["bob"] / FOLDER / "notes.json").write_text("{}")
    out = tmp_path / "handed_in"
    result = collect(homes, out)
    assert names(out) == ["homework_01_ann.json", "homework_04_ann.json", "homework_04_bob.json"]
    assert sorted(result.taken) == sorted(result.changed) == sorted(out.iterdir()) and result.notes == []
    assert out.stat().st_mode & 0o777 == 0o700, "other students may not read the answers"
    to_mark = gather(out)
    assert sorted(to_mark.sheets) == names(out), "the marker should take them all as they are"
    assert to_mark.notes == to_mark.conflicts == []


def test_a_second_collection_takes_what_is_newer_and_leaves_what_is_gone(tmp_path, homes):
    answer(homes, "ann")
    gone = answer(homes, "bob")
    collect(homes, tmp_path / "out")
    gone.unlink()
    answer(homes, "ann", number=2.0), answer(homes, "cy")
    result = collect(homes, tmp_path / "out")
    assert sorted(path.name for path in result.changed) == ["homework_04_ann.json", "homework_04_cy.json"]
    assert names(tmp_path / "out") == ["homework_04_ann.json", "homework_04_bob.json", "homework_04_cy.json"]
    assert '"number": 2.0' in (tmp_path / "out" / "homework_04_ann.json").read_text()
    assert collect(homes, tmp_path / "out").changed == []


def test_nobody_hands_in_under_another_name(tmp_path, homes):
    """Two learners with one id: the home says whose it is, and the other is told, whoever comes first."""
    answer(homes, "bob", number=2.0)
    answer(homes, "ann", learner="bob", number=1.0)
    answer(homes, "dee", learner="bob", name="homework_04_dee.json")
    result = collect(homes, tmp_path / "out")
    assert names(tmp_path / "out") == ["homework_04_bob.json"]
    assert '"number": 2.0' in (tmp_path / "out" / "homework_04_bob.json").read_text()
    assert [where for where, _ in result.notes] == ["ann: homework_04_bob.json", "dee: homework_04_dee.json"]
    assert all("signed 'bob'" in says and says.endswith(".") for _, says in result.notes)


def test_what_is_no_sheet_is_told_and_links_are_not_followed(tmp_path, homes):
    outside = tmp_path / "outside.json"
    outside.write_text(Sheet("04", "ann").to_json())
    folder = answer(homes, "ann", homework="01").parent
    (folder / "homework_04_ann.json").symlink_to(outside)
    (folder / "homework_05_ann.json").write_text("no JSON")
    answer(homes, "ann", homework="06", name="homework_06 copy.json")
    result = collect(homes, tmp_path / "out")
    assert names(tmp_path / "out") == ["homework_01_ann.json"]
    assert {where.split()[1] for where, _ in result.notes} == {
        "homework_04_ann.json", "homework_05_ann.json", "homework_06"
    }  # fmt: skip


def test_collecting_keeps_when_each_answer_was_given_and_when_the_file_was_changed(tmp_path, homes):
    file = answer(homes, "ann")
    sheet = Sheet("04", "ann", {"caught": Entry({"number": 1.0}, 1, 0, "2026-11-20T18:00:00+01:00", "0f", ["91"])})
    file.write_text(sheet.to_json(), "utf-8")
    os.utime(file, (1_800_000_000, 1_800_000_000))
    (copy,) = collect(homes, tmp_path / "out").taken
    assert load_sheet(copy) == sheet and copy.stat().st_mtime == 1_800_000_000


def test_who_has_no_answers_is_passed_over(tmp_path, homes):
    (homes["bob"] / FOLDER).mkdir()
    (homes["bob"] / FOLDER / "homework").write_text("a file")
    homes["nobody"] = tmp_path / "no such home"
    result = collect(homes, tmp_path / "out")
    assert result.taken == result.notes == []


def test_the_members_of_a_group_are_found_with_their_homes(monkeypatch):
    import grp
    import pwd

    accounts = {
        name: pwd.struct_passwd((name, "x", uid, gid, "", f"/homes/{name}", "/bin/sh"))
        for name, uid, gid in (("ann", 1001, 500), ("bob", 1002, 1002), ("cy", 1003, 1003))
    }
    monkeypatch.setattr(grp, "getgrnam", lambda name: grp.struct_group((name, "x", 500, ["bob", "gone"])))
    monkeypatch.setattr(pwd, "getpwall", lambda: list(accounts.values()))
    monkeypatch.setattr(pwd, "getpwnam", lambda name: accounts[name])
    found = {name: str(home) for name, home in homes_of_group("any").items()}
    assert found == {"ann": "/homes/ann", "bob": "/homes/bob"}


def test_the_command_collects_a_group_of_the_system(tmp_path, homes, monkeypatch, capsys):
    from vocomp_lab.jupyter import collecting

    answer(homes, "ann"), answer(homes, "bob", learner="ann")
    monkeypatch.setattr(collecting, "homes_of_group", lambda group: homes)
    assert main(["collect", "--out", str(tmp_path / "out")]) == 0
    says = capsys.readouterr().out.splitlines()
    assert says[0].startswith("bob: homework_04_ann.json: Not taken.")
    assert says[1].startswith("members of vocomp: 4, sheets in") and says[1].endswith("new or changed: 1, not taken: 1")


def test_a_group_that_is_not_there_is_named(capsys):
    assert main(["collect", "--group", "no_such_group_here"]) == 2
    one_sentence(capsys.readouterr().err.strip(), "group: 'no_such_group_here' is not a group of this system")
