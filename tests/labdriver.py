"""A JupyterLab of the tests' own and a headless browser on it: what the browser tests share."""

from __future__ import annotations

import contextlib
import datetime
import json
import secrets
import socket
import subprocess
import sys
import time
import urllib.request
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


# Messages of the kernel that no cell shows: an exception in the answer to a control goes to JupyterLab's log at best.
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
# A page that opens asks for widgets that were shown before; a fresh kernel has none, and says so.
_NO_TROUBLE = ("No such comm: ", "No such comm target registered: jupyter.widget.control")


@contextlib.contextmanager
def lab_server(folder: Path, home: Path):
    """A JupyterLab on `folder`, with settings in the empty folder `home`; gives its address with the token."""
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
        "PYDEVD_DISABLE_FILE_VALIDATION": "1",  # else a kernel that is started again warns on stderr of its debugger
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
        for _ in range(240):
            try:
                urllib.request.urlopen(f"{address}api?token={token}", timeout=2)
                break
            except OSError:
                if server.poll() is not None:
                    raise RuntimeError(f"JupyterLab ended at once:\n{(home / 'lab.log').read_text()[-2000:]}")
                time.sleep(0.25)
        yield address, token
    finally:
        server.terminate()
        try:
            server.wait(20)
        except subprocess.TimeoutExpired:
            server.kill()
        log.close()


@contextlib.contextmanager
def chromium(width=1280, height=720):
    """A page of a headless Debian Chromium; `page.errors` collects what its console reports as errors.

    What goes wrong in the kernel without a cell to show it is in :func:`kernel_trouble`.
    """
    from playwright.sync_api import sync_playwright

    path = need_program("chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=CHROMIUM_FLAGS)
        page = browser.new_page(viewport={"width": width, "height": height})
        page.add_init_script(_WATCH_KERNEL)
        page.errors = []
        page.on("pageerror", lambda error: page.errors.append(f"page error: {error}"))
        page.on("console", lambda message: message.type == "error" and page.errors.append(f"console: {message.text}"))
        try:
            yield page
        finally:
            browser.close()


def open_notebook(page, address, token, name):
    """Open a notebook alone on the page and wait for its kernel."""
    page.goto(f"{address}doc/tree/{name}?token={token}&reset")
    page.wait_for_selector(".jp-Notebook .jp-Cell", timeout=60_000)
    # The indicator beside the kernel's name says idle before there is a kernel; the status bar waits for one.
    page.wait_for_selector("text=/Python 3 .* \\| Idle/", timeout=90_000)


def run_all(page, timeout_s=180):
    """Run every cell and wait until every code cell has its number."""
    deadline, asked = time.monotonic() + timeout_s, 0.0
    prompts = []
    while time.monotonic() < deadline:
        if all(prompt == "[ ]:" for prompt in prompts) and time.monotonic() - asked > 8:
            # A kernel that has only just said it is idle may let the first request fall.
            page.click('.lm-MenuBar-itemLabel:text-is("Run")')
            page.click('.lm-Menu-itemLabel:text-is("Run All Cells")')
            asked = time.monotonic()
        page.wait_for_timeout(250)
        if page.locator(".jp-Dialog").count():
            raise AssertionError(f"a dialog stands in the way: {page.locator('.jp-Dialog').inner_text()}")
        failed = [line for line in kernel_trouble(page) if line.startswith(_RAISED)]
        if failed:
            raise AssertionError(f"a cell failed: {failed[0]}")
        prompts = page.eval_on_selector_all(
            ".jp-CodeCell .jp-InputPrompt", "nodes => nodes.map(node => node.textContent.trim())"
        )
        if prompts and all(prompt.strip("[]: ").isdigit() for prompt in prompts):
            return
    raise AssertionError(f"after {timeout_s} s cells were still waiting: {prompts}")


def kernel_trouble(page) -> list[str]:
    """Exceptions and lines on stderr that came from the kernel since the page was opened or reloaded."""
    return [line for line in page.evaluate("window.kernelTrouble") if not line.startswith(_NO_TROUBLE)]


def wait_for(page, condition, what, timeout_s=60.0):
    """Ask again and again until a condition holds; `what` says in the failure what was waited for."""
    deadline = time.monotonic() + timeout_s
    while not condition():
        if time.monotonic() > deadline:
            raise AssertionError(f"waited {timeout_s} s in vain for {what() if callable(what) else what}")
        page.wait_for_timeout(60)


def choose_menu(page, *path: str):
    """Click through JupyterLab's menus: the menu, then its entries."""
    page.click(f'.lm-MenuBar-itemLabel:text-is("{path[0]}")')
    for label in path[1:]:
        page.click(f'.lm-Menu-itemLabel:text-is("{label}")')


def set_theme(page, dark: bool):
    """JupyterLab's light or dark theme, by its menu."""
    wanted = "false" if dark else "true"
    if page.evaluate("document.body.dataset.jpThemeLight") != wanted:
        choose_menu(page, "Settings", "Theme", "JupyterLab Dark" if dark else "JupyterLab Light")
        wait_for(page, lambda: page.evaluate("document.body.dataset.jpThemeLight") == wanted, "the theme")


def save_notebook(page, path: Path) -> dict:
    """Save the open notebook by its menu, wait until the file is new, and give what it holds."""
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
    """How long each code cell of a saved notebook ran, as JupyterLab recorded it, with the cell's first line."""
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
