#!/usr/bin/env python3
"""Set everything up and run knuckle: ``python3 host/start.py demo``.

On Windows: ``py host\\start.py demo``. Needs nothing but Python: it makes the folder .venv
at the top of the project, installs what pyproject.toml names into that, and passes its words
on to knuckle. Written so that an old Python (3.6) can read it and say that it is too old.
"""

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

LEAST = (3, 11)
TOP = Path(__file__).resolve().parent.parent
VENV = TOP / ".venv"
STAMP = VENV / "installed-from.txt"
WINDOWS = os.name == "nt"
PYTHON = VENV / "Scripts" / "python.exe" if WINDOWS else VENV / "bin" / "python"


def say(text):
    """Print at once, on standard error, so that knuckle's own output stays clean."""
    sys.stderr.write(text + "\n")
    sys.stderr.flush()


def stop(text):
    """Say why it cannot go on, and end."""
    say(text)
    sys.exit(1)


def run(command):
    """Show a command, run it, return its exit code."""
    words = [str(word) for word in command]
    say("+ " + " ".join(words))
    return subprocess.call(words)


def check_python():
    """End with what to install if this Python is too old."""
    if sys.version_info < LEAST:
        stop(
            f"knuckle needs Python {LEAST[0]}.{LEAST[1]} or later; "
            f"this is {sys.version.split()[0]} ({sys.executable}).\n"
            "  next:  Debian and Ubuntu: apt install python3 (Debian 12, Ubuntu 24.04 or later)\n"
            "         macOS: the installer from python.org, or your package manager's python\n"
            "         Windows: the installer from python.org, then: py host\\start.py demo\n"
            "         If a newer one is there already, name it: python3.12 host/start.py demo"
        )


def make_venv():
    """Make .venv where there is none that works."""
    if PYTHON.exists():
        works = subprocess.call(
            [str(PYTHON), "-c", "import sys, pip; sys.exit(sys.version_info < (3, 11))"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        if works == 0:
            return
        say("The folder .venv does not work any more and is made anew.")
    if VENV.is_dir():
        shutil.rmtree(str(VENV))
    try:
        import ensurepip  # noqa: F401
        import venv  # noqa: F401
    except ImportError:
        stop(
            "This Python cannot make a virtual environment: its venv or ensurepip is missing.\n"
            "  cause: Debian and Ubuntu ship it as a package of its own.\n"
            "  next:  sudo apt install python3-venv"
            f"   (for this Python also: python{sys.version_info[0]}.{sys.version_info[1]}-venv)"
        )
    if run([sys.executable, "-m", "venv", VENV]) != 0:
        shutil.rmtree(str(VENV), ignore_errors=True)
        stop(
            f"The folder {VENV} could not be made.\n"
            "  cause: no room, no right to write there, or a Python without python3-venv.\n"
            "  next:  see the lines above; on Debian and Ubuntu: sudo apt install python3-venv"
        )


def fingerprint(extra):
    """Return what the installation depends on, as text."""
    digest = hashlib.sha256((TOP / "pyproject.toml").read_bytes()).hexdigest()
    return f"{digest}\n{extra}\n{TOP}\n"


def install(extra):
    """Install the package, and the extra if one is named, unless that is done already."""
    wanted = fingerprint(extra)
    if STAMP.exists():
        done = STAMP.read_text(encoding="utf-8")
        # The tests' installation holds all that running needs.
        if done == wanted or (not extra and done == fingerprint("test")):
            return
    target = f"{TOP}[{extra}]" if extra else str(TOP)
    pip = [PYTHON, "-m", "pip", "install", "--disable-pip-version-check", "--quiet"]
    if run([*pip, "-e", target]) != 0:
        stop(
            "The packages could not be installed.\n"
            "  cause: most often no way to the package index; pip's own lines are above.\n"
            "  next:  check the network (and proxy settings), then run the same command again."
        )
    STAMP.write_text(wanted, encoding="utf-8")


def prepare(extra=""):
    """Do all set-up; return the path of the environment's Python."""
    check_python()
    make_venv()
    install(extra)
    return str(PYTHON)


def main():
    """Set up, then become knuckle."""
    python = prepare()
    command = [python, "-m", "knuckle", *sys.argv[1:]]
    say("+ " + " ".join(command))
    if not WINDOWS:
        os.execv(python, command)
    try:
        sys.exit(subprocess.call(command))
    except KeyboardInterrupt:
        sys.exit(130)


if __name__ == "__main__":
    main()
