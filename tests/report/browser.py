"""A page in headless Chromium: what a script finds in it, what it prints to.

Needs the Debian package chromium (tests/apt.txt). Nothing is fetched: the browser is told that no
host can be reached, and a page that tries is found out by its performance entries.
"""

from __future__ import annotations

import html
import json
import os
import re
import shutil
import subprocess
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

BROWSER = "chromium"
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--host-resolver-rules=MAP * ~NOTFOUND",
    "--virtual-time-budget=20000",
)
ANSWER = "knuckle-answer"
AXE_SCRIPT = """
axe.run(document).then(found => answer(
  found.violations.map(v => [v.id, v.help, v.nodes.map(n => n.html).slice(0, 3)])
));
"""
LAYOUT_SCRIPT = """
answer({
  width: document.documentElement.clientWidth,
  wanted: document.documentElement.scrollWidth,
  fetched: performance.getEntriesByType('resource').map(entry => entry.name),
});
"""


def run(arguments: list[str], home: Path) -> str:
    """Run the browser with a profile of its own; its standard output."""
    if shutil.which(BROWSER) is None:
        if os.environ.get("CI"):
            pytest.fail("chromium is missing")
        pytest.skip("chromium is not installed: the page is not looked at in a browser")
    profile = f"--user-data-dir={home / 'profile'}"
    done = subprocess.run(
        [BROWSER, *FLAGS, profile, *arguments],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    return done.stdout


def ask(page: str, script: str, folder: Path, width: int = 1280) -> Any:
    """Run a script in the page, shown so wide, and return what it gives to `answer(...)`."""
    say = (
        "<script>function answer(x) { const e = parent.document.createElement('pre');"
        f" e.id = '{ANSWER}'; e.textContent = JSON.stringify(x);"
        f" parent.document.body.append(e); }} {script}</script>"
    )
    inner = page.replace("</body>", say + "</body>")
    frame = (
        f'<!DOCTYPE html><html lang="en"><title>frame</title><body><iframe style="width:{width}px;'
        f'height:900px" srcdoc="{html.escape(inner)}"></iframe></body></html>'
    )
    path = folder / f"asked-{width}.html"
    path.write_text(frame, encoding="utf-8")
    shown = run(["--window-size=1600,1000", "--dump-dom", path.as_uri()], folder)
    found = re.search(rf'<pre id="{ANSWER}">(.*?)</pre>', shown, re.DOTALL)
    assert found, "the page's script gave no answer"
    return json.loads(html.unescape(found.group(1)))


def violations(page: str, folder: Path, width: int = 1280) -> list[Any]:
    """Return what axe (rules of WCAG 2 for contrast, labels, structure) finds wrong."""
    axe = (resources.files("axe_core_python") / "axe.min.js").read_text(encoding="utf-8")
    loaded = axe.replace("</script", "<\\/script")
    found = ask(page, f"{loaded}\n{AXE_SCRIPT}", folder, width)
    assert isinstance(found, list)
    return found


def printed(page: str, folder: Path) -> bytes:
    """Return the page as the browser prints it to PDF."""
    source, target = folder / "printed.html", folder / "printed.pdf"
    source.write_text(page, encoding="utf-8")
    run([f"--print-to-pdf={target}", "--no-pdf-header-footer", source.as_uri()], folder)
    return target.read_bytes()
