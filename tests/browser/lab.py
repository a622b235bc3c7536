"""A JupyterLab of one's own in headless Chromium, and a notebook run in it."""

from __future__ import annotations

import contextlib
import os
import re
import secrets
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import nbformat

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
SCREENSHOTS = Path(__file__).parent / "screenshots"
_ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
_ROOT = Path(__file__).parents[2]


def _free_port():
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


@contextlib.contextmanager
def lab(folder):
    """Start JupyterLab over a folder on the loopback, with settings of its own; hand over its address and token."""
    port, token = _free_port(), secrets.token_hex(16)
    quiet = folder / "settings/@jupyterlab/apputils-extension/notification.jupyterlab-settings"
    quiet.parent.mkdir(parents=True)
    quiet.write_text('{"fetchNews": "false", "checkForUpdates": false}')  # no pop-up over the page
    env = dict(os.environ, PYTHONPATH=str(_ROOT), MPLBACKEND="Agg", IPYTHONDIR=str(folder / "ipython"))
    env |= {f"JUPYTER_{name}_DIR": str(folder / name.lower()) for name in ("CONFIG", "DATA", "RUNTIME")}
    env |= {f"JUPYTERLAB_{name}_DIR": str(folder / name.lower()) for name in ("SETTINGS", "WORKSPACES")}
    with (folder / "server.log").open("w") as log:
        server = subprocess.Popen(
            [sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", "--ip=127.0.0.1", f"--port={port}",
             f"--ServerApp.root_dir={folder}", f"--IdentityProvider.token={token}", "--LabApp.extension_manager=readonly"],
            cwd=folder, env=env, stdout=log, stderr=subprocess.STDOUT,
        )  # fmt: skip
        try:
            for _ in range(300):
                try:
                    with urllib.request.urlopen(
                        f"http://127.0.0.1:{port}/api?token={token}", timeout=30
                    ) as answer:
                        answer.read()
                    break
                except OSError:
                    time.sleep(0.3)
            else:
                raise RuntimeError((folder / "server.log").read_text()[-2000:])
            yield port, token
        finally:
            server.terminate()
            server.wait(30)


def write_notebook(path, cells):
    book = nbformat.v4.new_notebook(
        cells=[nbformat.v4.new_code_cell(cell) for cell in cells],
        metadata={"kernelspec": {"name": "python3", "display_name": "Python 3"}},
    )
    nbformat.write(book, path)


@contextlib.contextmanager
def browser():
    """Open the browser that the system has."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        one = driver.chromium.launch(executable_path=CHROMIUM, args=["--headless", *_ARGUMENTS])
        try:
            yield one
        finally:
            one.close()


def run_all(page, address, name):
    """Open a notebook and run all its cells."""
    port, token = address
    page.goto(f"http://127.0.0.1:{port}/lab/tree/{name}?token={token}&reset", wait_until="domcontentloaded")
    # Other signs of an idle kernel are true before there is one.
    page.get_by_role("button", name=re.compile(r"Python 3.*\| Idle")).wait_for(timeout=180_000)
    page.get_by_role("menuitem", name="Run", exact=True).click()
    page.get_by_role("menuitem", name=re.compile("^Run All Cells")).click()


def keep(page, name):
    """Keep a picture of the page for who looks at it later."""
    SCREENSHOTS.mkdir(exist_ok=True)
    page.screenshot(path=SCREENSHOTS / f"{name}.png")


class Moves:
    """Times from a key to what it changed, as the browser sees them."""

    def __init__(self, page, count):
        self.page, self.count, self.seconds = page, count, []

    def press(self, key):
        before = self.count()
        start = time.perf_counter()
        self.page.keyboard.press(key)
        while self.count() == before:
            assert time.perf_counter() - start < 60, f"{key} changed nothing"
            self.page.wait_for_timeout(5)
        self.seconds.append(time.perf_counter() - start)
