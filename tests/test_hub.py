"""A class server: JupyterHub with the shipped configuration, and two students working in it at the same time."""

from __future__ import annotations

import json
import os
import secrets
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from types import SimpleNamespace

import pytest
from conftest import need_program
from labdriver import ROOT, TIMEOUT_S, chromium, free_port, run_together, start_playing, wait_for, write_notebook
from npmtools import npm_package

from vocomp_lab.exercises.box import run_in_box
from vocomp_lab.jupyter.classroom import FOLDER
from vocomp_lab.jupyter.collecting import collect
from vocomp_lab.lessons.goals import GOALS

pytestmark = [
    pytest.mark.ci,
    pytest.mark.skipif(not Path("/proc/self/environ").exists(), reason="finds processes in Linux's /proc"),
]

SHIPPED = ROOT / "vocomp_lab" / "jupyter" / "hub_config.py"
LESSONS = {"ann": "04_peak_control.ipynb", "bob": "03_filtering.ipynb"}
SLIDERS = {"ann": "threshold_db", "bob": "freq_hz"}
# What differs from the shipped configuration, and why: a test makes no accounts on its machine, so names are accepted
# without passwords and all servers run under the tester's account, each with its own home (--allow-root in case that is
# the administrator). The page tells how far its cells are. Ports are free ones, and all processes carry a mark by which they are found.
FOR_A_TEST = """
load_subconfig({shipped!r})
c = get_config()
c.JupyterHub.bind_url = "http://127.0.0.1:{ports[0]}"
c.JupyterHub.hub_port = {ports[1]}
c.ConfigurableHTTPProxy.api_url = "http://127.0.0.1:{ports[2]}"
c.ConfigurableHTTPProxy.command = {proxy!r}
c.JupyterHub.authenticator_class = "dummy"
c.Authenticator.allowed_users = {{"ann", "bob"}}
c.JupyterHub.spawner_class = "simple"
c.SimpleLocalProcessSpawner.home_dir_template = {homes!r}
c.Spawner.args = [*c.Spawner.args, "--allow-root", "--LabApp.expose_app_in_browser=True"]
c.Spawner.environment = {{**c.Spawner.environment, {mark!r}: "1"}}
"""


def marked(mark: str) -> dict[int, str]:
    """The processes with a mark in their environment: number and command line."""
    found = {}
    for folder in Path("/proc").iterdir():
        try:
            if folder.name.isdigit() and mark.encode() in (folder / "environ").read_bytes():
                found[int(folder.name)] = (folder / "cmdline").read_bytes().replace(b"\0", b" ").decode()
        except OSError:  # somebody else's, or ended
            continue
    return found


@pytest.fixture(scope="module")
def hub(tmp_path_factory):
    """A running JupyterHub: its address, the students' homes, its process, and the mark of all it started."""
    proxy = [need_program("node"), str(npm_package("configurable-http-proxy") / "bin" / "configurable-http-proxy")]
    folder, mark = tmp_path_factory.mktemp("hub"), f"HUB_TEST_{secrets.token_hex(8)}"
    ports = [free_port() for _ in range(3)]
    config = FOR_A_TEST.format(
        shipped=str(SHIPPED), ports=ports, proxy=proxy, homes=str(folder / "homes" / "{username}"), mark=mark
    )
    (folder / "config.py").write_text(config)
    # The tester's own Jupyter settings must not matter here.
    plain = {name: value for name, value in os.environ.items() if not name.startswith(("JUPYTER", "MPL", "IPYTHON"))}
    address = f"http://127.0.0.1:{ports[0]}/"
    with open(folder / "log", "w") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "jupyterhub", "-f", "config.py"],
            cwd=folder, env={**plain, mark: "1"}, stdout=log, stderr=subprocess.STDOUT, start_new_session=True,
        )  # fmt: skip
        try:
            deadline = time.monotonic() + 2 * TIMEOUT_S
            while not answers(address):
                assert process.poll() is None and time.monotonic() < deadline, (folder / "log").read_text()[-3000:]
                time.sleep(0.25)
            yield SimpleNamespace(
                address=address, homes={name: folder / "homes" / name for name in LESSONS}, process=process, mark=mark,
                log=folder / "log",
            )  # fmt: skip
        finally:
            stop(process)
            for number in marked(mark):
                os.kill(number, signal.SIGKILL)
            process.wait(30)


def answers(address: str) -> bool:
    try:
        return urllib.request.urlopen(f"{address}hub/api", timeout=2).status == 200
    except OSError:
        return False


def stop(process):
    """End JupyterHub as a teacher would, which ends the students' servers too."""
    if process.poll() is None:
        process.terminate()
        try:
            # It gives each student's server up to 20 s to end before it kills it, more on a busy machine; one that is killed
            # itself first leaves them all running.
            process.wait(TIMEOUT_S)
        except subprocess.TimeoutExpired:
            process.kill()


@pytest.fixture(scope="module")
def students(hub):
    """Two students, each with their own browser context, who logged in at the same time and each ran a lesson."""
    with chromium() as page:
        browser = page.context.browser
        people = {}
        for name in LESSONS:
            pages = browser.new_context(viewport={"width": 1280, "height": 720})
            pages.set_default_timeout(TIMEOUT_S * 1000)
            pages.add_init_script("window.kernelTrouble = []")
            people[name] = SimpleNamespace(name=name, page=pages.new_page(), home=hub.homes[name], errors=[])
            people[name].page.on("pageerror", lambda error, name=name: people[name].errors.append(str(error)))
        started = time.monotonic()
        for name, student in people.items():
            student.page.goto(hub.address)
            student.page.fill("#username_input", name)
            student.page.fill("#password_input", "any")
            student.page.click("#login_submit", no_wait_after=True)
        for student in people.values():
            student.page.wait_for_url("**/user/*/lab/tree/*", timeout=2_000 * TIMEOUT_S)
            student.page.wait_for_selector(".jp-Notebook h1")
            student.landed = student.page.url.removeprefix(hub.address), student.page.inner_text(".jp-Notebook h1")
            print(f"{student.name}: login to the first lesson {time.monotonic() - started:.1f} s (both at once)")
        for name, student in people.items():
            # The link a teacher gives to the class: each student gets their own copy of that lesson.
            student.page.goto(f"{hub.address}hub/user-redirect/doc/tree/{LESSONS[name]}")
        for student in people.values():
            student.page.wait_for_selector("text=/Python 3 .* \\| Idle/")
        run_together([student.page for student in people.values()])
        yield people
        for student in people.values():
            student.page.context.close()


def kernels(student, hub) -> list[dict]:
    return student.page.request.get(f"{hub.address}user/{student.name}/api/kernels").json()


def kernel_processes(student, hub) -> dict[int, str]:
    """The processes of a student's kernels, found by that student's home in their command lines."""
    return {
        number: command
        for number, command in marked(hub.mark).items()
        if "ipykernel" in command and str(student.home) in command
    }


def picture(page):
    return page.locator("img[class*='-picture']").first.get_attribute("src")


def player(page, call):
    return page.evaluate(f"document.querySelector('.vocomp-player').vocomp.{call}")


# What bob runs in his own notebook, once ann has kept a stage.
BOBS_CELLS = (
    "import json\nfrom pathlib import Path\nfrom vocomp_lab import begin",
    "from vocomp_lab.exercises import Homework\nfrom vocomp_lab.exercises.box import run_in_box",
    "origin = begin('05_steady_compression', folder='../.state').origins['peaks']",
    "Homework('04', learner='bob').give(1, 8.0)\nbox = run_in_box('def f(x):\\n    return 2 * x', 'f', [(2.0,)])",
    "try:\n    bytearray(5 * 2**30)\n    memory = 'given'\nexcept MemoryError:\n    memory = 'refused'",
    "Path('told').write_text(json.dumps({'origin': origin, 'box': [box.outputs, box.guards], 'memory': memory}))",
)


@pytest.fixture(scope="module")
def kept(students) -> list[str]:
    """The sheets in ann's folder after she has met the goals of lesson 04 and run the cell that keeps them."""
    page, folder = students["ann"].page, students["ann"].home / FOLDER
    box = page.locator("[class*='-typed-threshold_db'] input").first
    box.fill("-14.3")
    box.press("Enter")
    numbers = page.locator(".vocomp-bench .vocomp-numbers").first
    wait_for(page, lambda: numbers.inner_text().count("goal met") == len(GOALS["peaks"]), "the goals to be met")
    page.locator(".jp-CodeCell", has_text="# Check, and keep").locator(".jp-InputPrompt").first.click()
    page.keyboard.press("Control+Enter")

    def sheets():
        return [path.relative_to(folder).as_posix() for path in folder.glob(".state/*/*.json")]

    wait_for(page, sheets, "ann's sheet")
    return sheets()


@pytest.fixture(scope="module")
def answered(students, kept, hub) -> dict:
    """What BOBS_CELLS found when run beside the homework in bob's copy."""
    bob = students["bob"]
    notebook = write_notebook(bob.home / FOLDER / "homework" / "my_try.ipynb", *BOBS_CELLS)
    bob.page.goto(f"{hub.address}user/bob/doc/tree/homework/{notebook.name}")
    bob.page.wait_for_selector("text=/Python 3 .* \\| Idle/")
    run_together([bob.page])
    return json.loads((notebook.parent / "told").read_text())


# ------------------------------------------------------------------------------------------------------------ the class


def test_each_lands_in_jupyterlab_on_the_first_lesson_of_their_own_copy(students):
    for name, student in students.items():
        assert student.landed == (f"user/{name}/lab/tree/00_start_here.ipynb", "Start here")
        assert (student.home / FOLDER / "homework" / "homework_04.ipynb").is_file()
        assert student.page.url.endswith(f"/user/{name}/doc/tree/{LESSONS[name]}")


def test_two_lessons_run_at_the_same_time_without_an_error(students):
    trouble = ", ".join(f".jp-RenderedText[data-mime-type*='{kind}']" for kind in ("error", "stderr"))
    for student in students.values():
        assert student.page.locator(trouble).count() == 0
        assert student.page.locator("text=Would you like to").count() == 0, "the question about news stands in the way"
        assert student.page.locator("img[class*='-picture']").count() >= 1
        assert student.errors == []


def test_both_play_and_a_slider_answers_each(students):
    pages = [student.page for student in students.values()]
    for page in pages:
        first = page.locator(".vocomp-player").first
        first.scroll_into_view_if_needed()
        start_playing(page, first)
    for page in pages:
        wait_for(page, lambda page=page: player(page, "position()") > 0.3, "playback")
    for name, student in students.items():
        before = picture(student.page)
        student.page.locator(f"[class*='-slider-{SLIDERS[name]}'] .noUi-handle").first.focus()
        student.page.keyboard.press("ArrowRight")
        wait_for(student.page, lambda: picture(student.page) != before, f"a new picture for {name}")
    for page in pages:
        at = player(page, "position()")
        wait_for(page, lambda: player(page, "position()") != at, "the sound to go on")
        assert player(page, "level()") < 0.1, "playback must start quiet"
        page.locator(".vocomp-player [data-part=play]").first.click()


def test_what_one_keeps_the_other_does_not_meet(students, kept, answered):
    """Both work on the same shipped clip; bob's lesson 05 does not begin with what ann kept in 04."""
    assert kept == [".state/lesson_verse_faulty/04_peak_control.json"]
    assert '"threshold_db": -14.3' in (students["ann"].home / FOLDER / kept[0]).read_text()
    assert answered["origin"].startswith("proposed"), answered["origin"]


def test_nobody_reaches_the_others_files_and_kernels(students, hub):
    ids = {name: {kernel["id"] for kernel in kernels(student, hub)} for name, student in students.items()}
    assert ids["ann"] and ids["bob"] and not ids["ann"] & ids["bob"]
    for name, other in (("ann", "bob"), ("bob", "ann")):
        # The page first: on the way there JupyterHub sets the cookie that the files need.
        for what in ("lab", "api/contents"):
            assert students[name].page.request.get(f"{hub.address}user/{name}/{what}").status == 200
            assert students[name].page.request.get(f"{hub.address}user/{other}/{what}").status == 403
    processes = {name: kernel_processes(student, hub) for name, student in students.items()}
    assert processes["ann"] and processes["bob"] and not processes["ann"].keys() & processes["bob"].keys()


def test_the_kernels_are_the_workbooks_own_and_their_memory_is_bounded(students, hub):
    for student in students.values():
        for number, command in kernel_processes(student, hub).items():
            assert command.startswith(sys.executable + " "), command
            limits = Path(f"/proc/{number}/limits").read_text().splitlines()
            bound = next(line for line in limits if "data size" in line)
            assert bound.split()[3:5] == [str(4 * 2**30)] * 2, bound


def test_the_servers_accept_the_settings_that_end_idle_kernels(students, hub):
    """JupyterHub passes these settings on unread, and a server only warns about unknown ones."""
    log = hub.log.read_text()
    assert log.count("Culling kernels with idle durations > 3600 seconds") == 2
    assert log.count("Culling kernels even with connected clients") == 2
    assert log.count("Will shut down after 1200 seconds with no kernels.") == 2


def test_homework_is_answered_in_its_box_and_collected(hub, answered, tmp_path):
    """The box is as well guarded in a student's server as here; the sheet carries the login name."""
    here = run_in_box("def f(x):\n    return 2 * x", "f", [(2.0,)])
    assert answered["box"] == [[4.0], here.guards]
    result = collect(hub.homes, tmp_path / "handed_in")
    assert [path.name for path in result.taken] == ["homework_04_bob.json"] and result.notes == []


def test_too_much_memory_is_refused_and_the_kernel_goes_on(answered):
    assert answered["memory"] == "refused", "5 GiB were given out where 4 are allowed"


def test_stopping_the_hub_leaves_no_process_behind(students, hub):
    assert len(marked(hub.mark)) >= 6, "JupyterHub, its proxy, two servers and their kernels should be running"
    stop(hub.process)
    deadline = time.monotonic() + TIMEOUT_S
    while marked(hub.mark) and time.monotonic() < deadline:
        time.sleep(0.2)
    assert marked(hub.mark) == {}
