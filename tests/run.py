#!/usr/bin/env python3
"""Set everything up and run all checks: ``python3 tests/run.py``.

On Windows: ``py tests\\run.py``. Words given are passed on to pytest, for example
``python3 tests/run.py tests/wire -k cobs``. ``--install`` installs missing Debian packages
of tests/apt.txt (as root this is done unasked); ``--coverage`` counts which lines the tests
run, which takes half as long again. With ``CI=1`` a missing tool or missing
outside data is a failure. Written so that an old Python (3.6) can read it and say that it is
too old.
"""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

TOP = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(TOP / "host"))

import start  # noqa: E402

IN_CI = os.environ.get("CI", "").lower() in ("1", "true", "yes")
DATA_VARIABLE = "KNUCKLE_TEST_DATA"
PROCESSES = "2"
CODE = ["host", "tests", "firmware", "hardware"]
# What is built before the tests, which use it: target of firmware/Makefile, commands and files.
BUILDS = [
    ("board", ["make", "avr-gcc", "avr-objdump", "/usr/lib/avr/include/avr/io.h"]),
    ("library", ["make", "cc"]),
    ("posix", ["make", "cc"]),
    ("bench", ["make", "cc", "avr-gcc", "/usr/include/simavr/sim_avr.h"]),
    ("examples", ["make", "avr-g++", "/usr/share/arduino/hardware/arduino/avr/platform.txt"]),
]
SUMMARY = re.compile(r"^(?:=+ )?(\d+ (?:passed|failed|skipped|error).*?)(?: =+)?$", re.MULTILINE)
SKIP = re.compile(r"^SKIPPED \[(\d+)\] (\S+?): (.*)$", re.MULTILINE)


def wanted_packages():
    """Return the rows of apt.txt: package, command or file, reason."""
    text = (TOP / "tests" / "apt.txt").read_text(encoding="utf-8")
    lines = [line.strip() for line in text.splitlines()]
    return [line.split("\t") for line in lines if line and not line.startswith("#")]


def is_there(name):
    """Whether there is such a command or, if the name is a path, such a file."""
    return Path(name).exists() if "/" in name else shutil.which(name) is not None


def provide_packages(may_install):
    """Install what is missing where that is allowed; return rows for the table of skips."""
    missing = [row for row in wanted_packages() if not is_there(row[1])]
    as_root = hasattr(os, "geteuid") and os.geteuid() == 0
    if missing and (as_root or may_install) and shutil.which("apt-get"):
        apt = ["apt-get"] if as_root else ["sudo", "apt-get"]
        names = [row[0] for row in missing]
        if start.run([*apt, "update", "-q"]) == 0:
            start.run([*apt, "install", "-q", "-y", "--no-install-recommends", *names])
    return [
        (f"package {name}", f"{wanted} is missing ({reason}); --install installs it")
        for name, wanted, reason in missing
        if not is_there(wanted)
    ]


def missing_data():
    """Return a row for the table of skips if the outside test data are absent."""
    folder = Path(os.environ.get(DATA_VARIABLE) or TOP.parent / "shared" / "data")
    if folder.is_dir():
        return []
    return [("outside data", f"no folder {folder}; {DATA_VARIABLE} names another")]


def skips_of(output):
    """Return pytest's own lines on skipped tests as rows."""
    return [(f"{place} ({count})", reason) for count, place, reason in SKIP.findall(output)]


def run_shown(command):
    """Run a command, passing its output on as it comes; return exit code and output."""
    start.say("+ " + " ".join(command))
    child = subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        cwd=str(TOP),
        encoding="utf-8",
        errors="replace",
        env=dict(os.environ, PYTHONIOENCODING="utf-8", OPENBLAS_NUM_THREADS="1"),
    )
    lines = []
    for line in child.stdout:
        sys.stdout.write(line)
        sys.stdout.flush()
        lines.append(line)
    return child.wait(), "".join(lines)


def build_firmware():
    """Build what the tests use; return rows for the table of skips, and what failed."""
    if not (TOP / "firmware" / "Makefile").exists():
        return [], []
    skipped, failed = [], []
    for target, needs in BUILDS:
        absent = [name for name in needs if not is_there(name)]
        if absent:
            skipped.append((f"make -C firmware {target}", f"{', '.join(absent)} missing"))
        elif run_shown(["make", "-C", "firmware", target])[0] != 0:
            failed.append(f"make -C firmware {target}")
    return skipped, failed


def main():
    """Set up, run every check, end with what was skipped and pytest's closing line."""
    words = [word for word in sys.argv[1:] if word not in ("--install", "--coverage")]
    start.check_python()
    absent = provide_packages("--install" in sys.argv[1:]) + missing_data()
    python = start.prepare("test")
    unbuilt, failed = build_firmware()
    absent += unbuilt
    failed += [f"missing: {name}" for name, _ in absent] if IN_CI else []
    for check in (
        ["ruff", "check", *CODE],
        ["ruff", "format", "--check", *CODE],
        ["mypy"],
    ):
        code, _ = run_shown([python, "-m", *check])
        if code != 0:
            failed.append(" ".join(check))
    if "--coverage" in sys.argv[1:]:
        words += ["--cov", "--cov-report=term:skip-covered"]
    shared = ["-n", PROCESSES, "--dist", "worksteal"]
    code, output = run_shown([python, "-m", "pytest", *shared, "-rs", *words])
    if code != 0:
        failed.append(f"pytest (exit code {code})")
    table = absent + skips_of(output)
    print("\nSkipped, and why:" if table else "\nNothing was skipped.")
    for name, reason in table:
        print(f"  {name}: {reason}")
    print("Failed: " + "; ".join(failed) if failed else "All checks passed.")
    summary = SUMMARY.findall(output)
    print(summary[-1] if summary else "pytest ended without a summary")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
