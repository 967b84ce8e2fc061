"""A JupyterLab started for the tests and a headless browser: what all page tests share."""

from __future__ import annotations

import atexit
import contextlib
import datetime
import json
import secrets
import socket
import subprocess
import sys
import time
import urllib.request
from dataclasses import dataclass, field
from pathlib import Path

from conftest import need_program

from vocomp_lab.jupyter.start import lab_environment

ROOT = Path(__file__).resolve().parent.parent
CHROMIUM_FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
]


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


TIMEOUT_S = 90.0
"""How long anything in a page may take on a busy machine before it counts as failed. A test waits for conditions, so that
on an idle machine none of this is used up."""

# Kernel messages that no cell shows: an exception while a control is answered only goes to JupyterLab's log.
_WATCH_KERNEL = """(() => {
  const trouble = (window.kernelTrouble = []), text = new TextDecoder(), Plain = window.WebSocket;
  window.WebSocket = class extends Plain {
    constructor(...given) {
      super(...given);
      this.addEventListener("message", ({ data }) => {
        if (!(data instanceof ArrayBuffer)) return;
        // Protocol v1.kernel.websocket.jupyter.org: count and offsets, then channel, header, parent, metadata, content.
        const view = new DataView(data), at = (n) => Number(view.getBigUint64(8 + 8 * n, true));
        const part = (n) => JSON.parse(text.decode(new Uint8Array(data, at(n), at(n + 1) - at(n))));
        const kind = part(1).msg_type;
        if (kind === "error") trouble.push(`raised ${part(4).ename}: ${part(4).evalue}`);
        if (kind === "stream" && part(4).name === "stderr") trouble.push(part(4).text);
      });
    }
  };
})();"""
_RAISED = "raised "
# A page that opens asks for widgets that were shown before. A fresh kernel has none and says so.
_NO_TROUBLE = ("No such comm: ", "No such comm target registered: jupyter.widget.control")


@contextlib.contextmanager
def lab_server(folder: Path, home: Path):
    """A JupyterLab that shows `folder` and keeps its settings in the empty folder `home`; yields address and token."""
    timing = home / "settings" / "@jupyterlab" / "notebook-extension" / "tracker.jupyterlab-settings"
    timing.parent.mkdir(parents=True, exist_ok=True)
    timing.write_text('{"recordTiming": true}')
    port, token = free_port(), secrets.token_hex(12)
    environment = {
        **lab_environment(),
        "HOME": str(home),
        "JUPYTER_CONFIG_DIR": str(home / "config"),
        "JUPYTER_DATA_DIR": str(home / "data"),
        "JUPYTERLAB_SETTINGS_DIR": str(home / "settings"),
        "JUPYTERLAB_WORKSPACES_DIR": str(home / "workspaces"),
        "PYDEVD_DISABLE_FILE_VALIDATION": "1",  # else the debugger warns on stderr when a kernel starts again
    }
    log = open(home / "lab.log", "w")
    server = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "jupyterlab",
            "--no-browser",
            "--allow-root",
            f"--port={port}",
            "--ServerApp.port_retries=0",
            "--expose-app-in-browser",
            f"--IdentityProvider.token={token}",
            f"--ServerApp.root_dir={folder}",
        ],
        env=environment,
        stdout=log,
        stderr=subprocess.STDOUT,
        cwd=folder,
    )
    address = f"http://127.0.0.1:{port}/"
    try:
        deadline = time.monotonic() + TIMEOUT_S
        while True:
            try:
                urllib.request.urlopen(f"{address}api?token={token}", timeout=10).close()
                break
            except OSError:
                assert server.poll() is None and time.monotonic() < deadline, (home / "lab.log").read_text()[-2000:]
                time.sleep(0.1)
        yield address, token
    finally:
        server.terminate()
        try:
            server.wait(20)
        except subprocess.TimeoutExpired:
            server.kill()
        log.close()


@dataclass(frozen=True)
class Lab:
    """A running JupyterLab."""

    address: str
    token: str
    folder: Path
    known: set = field(default_factory=set)
    """What page tests have tried already, so that what many pages have is tried on one: see ``pagechecks``."""

    def close_kernels(self):
        """End every kernel, as *Shut Down* in the page does."""
        with self._ask("api/sessions") as answer:
            sessions = json.load(answer)
        for session in sessions:
            self._ask(f"api/sessions/{session['id']}", "DELETE").close()

    def _ask(self, what: str, method: str = "GET"):
        request = urllib.request.Request(f"{self.address}{what}?token={self.token}", method=method)
        return urllib.request.urlopen(request, timeout=60)


_browser = []  # the driver and the browser, while they run
_shared = {}  # the page that goes from notebook to notebook


def _open_browser():
    """The headless Debian Chromium that everything in this process shares; started again if it has crashed."""
    from playwright.sync_api import sync_playwright

    path = need_program("chromium")
    if _browser and not _browser[1].is_connected():
        close_browser()
    if not _browser:
        driver = sync_playwright().start()
        _browser.append(driver)
        _browser.append(driver.chromium.launch(executable_path=path, args=CHROMIUM_FLAGS))
    return _browser[1]


def close_browser():
    """End the shared browser, if there is one, and its driver's event loop with it."""
    _shared.clear()
    while _browser:
        part = _browser.pop()
        (part.close if _browser else part.stop)()


def shared_page():
    """A page that stays open between files of tests: JupyterLab then needs to be loaded only once."""
    if not _shared or _shared["page"].is_closed() or not _browser[1].is_connected():
        _shared["page"] = _new_page(_open_browser(), 1280, 720)
    return _shared["page"]


@contextlib.contextmanager
def chromium(width=1280, height=720, flags=()):
    """A page of the shared browser with cookies and storage of its own; with `flags`, of a browser of its own.

    `page.errors` collects what its console reports as errors. Errors in the kernel that no cell shows are in
    :func:`kernel_trouble`.
    """
    browser = _open_browser()
    if flags:
        browser = _browser[0].chromium.launch(executable_path=need_program("chromium"), args=[*CHROMIUM_FLAGS, *flags])
    page = _new_page(browser, width, height)
    try:
        yield page
    finally:
        page.context.close()
        if flags:
            browser.close()


def _new_page(browser, width, height):
    context = browser.new_context(viewport={"width": width, "height": height})
    context.set_default_timeout(TIMEOUT_S * 1000)
    context.add_init_script(_WATCH_KERNEL)
    page = context.new_page()
    page.errors = []
    page.on("pageerror", lambda error: page.errors.append(f"page error: {error}"))
    page.on(
        "console",
        lambda message: (
            message.type == "error"
            and page.errors.append(f"console: {message.text} ({message.location.get('url', '')})")
        ),
    )
    return page


def open_notebook(page, address, token, name):
    """Open a notebook alone on the page and wait for its kernel."""
    if page.url.startswith(f"{address}doc/"):
        # JupyterLab is there already: leave what is open, unsaved or not, and open the next.
        page.evaluate(
            """async (path) => {
              for (const open of [...window.jupyterapp.shell.widgets("main")]) open.dispose();
              window.kernelTrouble.length = 0;
              await window.jupyterapp.commands.execute("docmanager:open", { path, factory: "Notebook" });
            }""",
            name,
        )
    else:
        page.goto(f"{address}doc/tree/{name}?token={token}&reset")
    page.wait_for_selector(".jp-Notebook .jp-Cell")
    # The indicator beside the kernel's name says idle before there is a kernel; the status bar waits for one.
    page.wait_for_selector("text=/Python 3 .* \\| Idle/")


def run_all(page, timeout_s=300):
    """Run every cell and wait until every code cell has its number."""
    run_together([page], timeout_s)


def run_together(pages, timeout_s=300):
    """Run every cell of the notebooks on some pages, all at the same time."""
    deadline, asked, waiting = time.monotonic() + timeout_s, {}, list(pages)
    while waiting:
        for page in list(waiting):
            found = prompts(page)
            if found and all(prompt.isdigit() for prompt in found):
                waiting.remove(page)
                continue
            # A kernel that has only just said it is idle may drop the first request.
            if not any(found) and time.monotonic() - asked.get(page, -60) > 10:
                choose_menu(page, "Run", "Run All Cells")
                asked[page] = time.monotonic()
            dialogs = page.locator(".jp-Dialog").all_inner_texts()
            assert not dialogs, f"a dialog stands in the way: {dialogs[0]}"
            failed = [line for line in kernel_trouble(page) if line.startswith(_RAISED)]
            assert not failed, f"a cell failed: {failed[0]}"
            assert time.monotonic() < deadline, f"after {timeout_s} s cells were still waiting: {found}"
        pages[0].wait_for_timeout(300)


def prompts(page) -> list[str]:
    """The number of each code cell, as its brackets show it: a star while it waits, nothing before it has run."""
    return [prompt for prompt in cell_prompts(page) if prompt is not None]


def cell_prompts(page) -> list[str | None]:
    """The same for each cell of the notebook; None for prose. From JupyterLab itself: a folded cell shows no brackets."""
    return page.evaluate("""() => {
      const books = [...window.jupyterapp.shell.widgets("main")].map((open) => open.content).filter((book) => book?.widgets);
      return (books[0]?.widgets ?? []).map(({ model }) => model.type !== "code" ? null
        : model.executionState === "running" ? "*" : String(model.executionCount ?? ""));
    }""")


def kernel_trouble(page) -> list[str]:
    """Exceptions and stderr lines that the kernel has sent since the page was opened or reloaded."""
    return [line for line in page.evaluate("window.kernelTrouble") if not line.startswith(_NO_TROUBLE)]


def wait_for(page, condition, what, timeout_s=TIMEOUT_S):
    """Wait until a condition holds; `what`, a text or a function that returns one, names it in the failure."""
    deadline, pause_ms = time.monotonic() + timeout_s, 30
    while not condition():
        if time.monotonic() > deadline:
            raise AssertionError(f"waited {timeout_s} s in vain for {what() if callable(what) else what}")
        page.wait_for_timeout(pause_ms)
        pause_ms = min(1.5 * pause_ms, 250)  # asking costs the page time that it could answer in


def start_playing(page, player):
    """Press Play in a player and wait until it plays; again where it says so, as it does when the browser's sound is late."""
    button, note = player.locator("[data-part=play]"), player.locator("[data-part=note]")

    def playing():
        if "press Play again" in note.inner_text():
            button.click()
        return player.evaluate("root => root.vocomp.playing()")

    button.click()
    wait_for(page, playing, lambda: f"playback: {note.inner_text()}")


def choose_menu(page, *path: str):
    """Click through JupyterLab's menus: the menu, then its entries."""
    page.click(f'.lm-MenuBar-itemLabel:text-is("{path[0]}")')
    for label in path[1:]:
        page.click(f'.lm-Menu-itemLabel:text-is("{label}")')


def set_theme(page, dark: bool):
    """Switch to JupyterLab's light or dark theme by its menu."""
    wanted = "false" if dark else "true"
    if page.evaluate("document.body.dataset.jpThemeLight") != wanted:
        choose_menu(page, "Settings", "Theme", "JupyterLab Dark" if dark else "JupyterLab Light")
        wait_for(page, lambda: page.evaluate("document.body.dataset.jpThemeLight") == wanted, "the theme")


def save_notebook(page, path: Path) -> dict:
    """Save the open notebook by its menu, wait for the new file, and return what it holds."""
    old = path.stat().st_mtime_ns
    choose_menu(page, "File", "Save Notebook")
    wait_for(page, lambda: path.stat().st_mtime_ns != old, "the saved file")
    wait_for(page, lambda: _readable(path), "the whole file")
    return json.loads(path.read_text("utf-8"))


def _readable(path: Path) -> bool:
    try:
        return bool(json.loads(path.read_text("utf-8")))
    except ValueError:
        return False


def cell_seconds(notebook: dict) -> list[tuple[float, str]]:
    """How long each code cell of a saved notebook ran, as recorded by JupyterLab, and the cell's first line."""
    times = []
    for cell in notebook["cells"]:
        timing = cell["metadata"].get("execution")
        if cell["cell_type"] == "code" and timing:
            start, end = (
                datetime.datetime.fromisoformat(timing[key].replace("Z", "+00:00"))
                for key in ("shell.execute_reply.started", "shell.execute_reply")
            )
            times.append(((end - start).total_seconds(), "".join(cell["source"]).partition("\n")[0]))
    return times


def write_notebook(path: Path, *cells: str) -> Path:
    """A notebook of code cells for a test."""
    notebook = {
        "cells": [
            {
                "cell_type": "code",
                "id": f"cell-{n}",
                "metadata": {},
                "outputs": [],
                "execution_count": None,
                "source": cell,
            }
            for n, cell in enumerate(cells)
        ],
        "metadata": {
            "kernelspec": {"display_name": "Python 3 (ipykernel)", "language": "python", "name": "python3"},
            "language_info": {"name": "python"},
        },
        "nbformat": 4,
        "nbformat_minor": 5,
    }
    path.write_text(json.dumps(notebook))
    return path


atexit.register(close_browser)
