"""A JupyterLab of the tests' own and a headless browser on it: what the browser tests share."""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

from conftest import need_program

from vocomp_lab.__main__ import lab_environment

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


@contextlib.contextmanager
def lab_server(folder: Path, home: Path):
    """A JupyterLab on `folder`, with settings in the empty folder `home`; gives its address with the token."""
    port, token = free_port(), secrets.token_hex(12)
    environment = {
        **lab_environment(),
        "HOME": str(home),
        "JUPYTER_CONFIG_DIR": str(home / "config"),
        "JUPYTER_DATA_DIR": str(home / "data"),
        "JUPYTERLAB_SETTINGS_DIR": str(home / "settings"),
        "JUPYTERLAB_WORKSPACES_DIR": str(home / "workspaces"),
    }
    log = open(home / "lab.log", "w")
    server = subprocess.Popen(
        [sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", f"--port={port}", "--ServerApp.port_retries=0",
         f"--IdentityProvider.token={token}", f"--ServerApp.root_dir={folder}"],
        env=environment, stdout=log, stderr=subprocess.STDOUT, cwd=folder,
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
    """A page of a headless Debian Chromium; `page.errors` collects what its console reports as errors."""
    from playwright.sync_api import sync_playwright

    path = need_program("chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=CHROMIUM_FLAGS)
        page = browser.new_page(viewport={"width": width, "height": height})
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
        prompts = page.eval_on_selector_all(
            ".jp-CodeCell .jp-InputPrompt", "nodes => nodes.map(node => node.textContent.trim())"
        )
        if prompts and all(prompt.strip("[]: ").isdigit() for prompt in prompts):
            return
    raise AssertionError(f"after {timeout_s} s cells were still waiting: {prompts}")


def write_notebook(path: Path, *cells: str) -> Path:
    """A notebook of code cells for a test."""
    notebook = {
        "cells": [
            {"cell_type": "code", "id": f"cell-{n}", "metadata": {}, "outputs": [], "execution_count": None, "source": cell}
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
