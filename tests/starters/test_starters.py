"""The two starters, tried on a small project of their own, so that nothing is installed."""

from __future__ import annotations

import importlib.util
import os
import re
import shutil
import stat
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

TOP = Path(__file__).resolve().parent.parent.parent


def load(path: Path, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """Import a starter from where it lies, with its own idea of the project's top."""
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    monkeypatch.setitem(sys.modules, path.stem, module)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def project(tmp_path: Path) -> Path:
    """Lay out a copy of the starters in a project whose environment is a recording script."""
    for name in ("host", "tests", ".venv/bin"):
        (tmp_path / name).mkdir(parents=True)
    shutil.copy(TOP / "host" / "start.py", tmp_path / "host")
    shutil.copy(TOP / "tests" / "run.py", tmp_path / "tests")
    (tmp_path / "tests" / "apt.txt").write_text("# none\n", encoding="utf-8")
    (tmp_path / "pyproject.toml").write_text("one\n", encoding="utf-8")
    return tmp_path


posix_only = pytest.mark.skipif(os.name == "nt", reason="the stand-in Python is a shell script")


def stand_in(project: Path, script: str) -> Path:
    """Put a shell script in the place of the environment's Python."""
    python = project / ".venv" / "bin" / "python"
    python.write_text("#!/bin/sh\n" + script, encoding="utf-8")
    python.chmod(python.stat().st_mode | stat.S_IXUSR)
    return python


def called(project: Path) -> list[str]:
    log = project / "called.txt"
    return log.read_text(encoding="utf-8").splitlines() if log.exists() else []


def start(project: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, str(project / "host" / "start.py"), *words],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


@posix_only
def test_installs_once_and_again_when_pyproject_changed(project: Path) -> None:
    stand_in(project, f'[ "$1" = -c ] || echo "$*" >> {project}/called.txt\n')
    done = start(project, "demo", "--seed", "3")
    assert done.returncode == 0
    install, run = called(project)
    assert install.startswith("-m pip install")
    assert install.endswith(f"-e {project}")
    assert run == "-m knuckle demo --seed 3"
    assert "+ " in done.stderr
    assert install in done.stderr
    assert done.stdout == ""
    start(project, "demo")
    assert called(project)[2:] == ["-m knuckle demo"]
    (project / "pyproject.toml").write_text("two\n", encoding="utf-8")
    start(project, "demo")
    assert called(project)[3] == install


@posix_only
def test_exit_code_is_passed_on(project: Path) -> None:
    stand_in(project, '[ "$2" = knuckle ] && exit 3\nexit 0\n')
    assert start(project, "demo").returncode == 3


@posix_only
def test_failed_install_says_what_next_and_is_tried_again(project: Path) -> None:
    stand_in(project, f'[ "$2" = pip ] && echo x >> {project}/called.txt && exit 1\nexit 0\n')
    for tries in (1, 2):
        done = start(project, "demo")
        assert done.returncode == 1
        assert "could not be installed" in done.stderr
        assert "next:" in done.stderr
        assert len(called(project)) == tries


def test_missing_ensurepip_names_the_package(
    project: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    starter = load(project / "host" / "start.py", monkeypatch)
    shutil.rmtree(project / ".venv")
    monkeypatch.setitem(sys.modules, "ensurepip", None)
    with pytest.raises(SystemExit) as caught:
        starter.make_venv()
    assert caught.value.code == 1
    assert "apt install python3-venv" in capsys.readouterr().err


def test_broken_environment_is_made_anew(
    project: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    starter = load(project / "host" / "start.py", monkeypatch)
    starter.PYTHON.parent.mkdir(parents=True, exist_ok=True)
    shutil.copy(shutil.which("false") or sys.executable, starter.PYTHON)
    commands: list[list[str]] = []

    def run(command: list[object]) -> int:
        commands.append([str(word) for word in command])
        return 0

    monkeypatch.setattr(starter, "run", run)
    starter.make_venv()
    assert "made anew" in capsys.readouterr().err
    assert not (project / ".venv").exists()
    assert commands == [[sys.executable, "-m", "venv", str(project / ".venv")]]


@pytest.mark.parametrize("name", ["host/start.py", "tests/run.py"])
def test_old_python_is_told(
    name: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    starter = load(TOP / "host" / "start.py", monkeypatch)
    program = load(TOP / name, monkeypatch)
    monkeypatch.setattr(sys, "version_info", (3, 9, 2))
    with pytest.raises(SystemExit) as caught:
        program.main()
    assert caught.value.code == 1
    assert "needs Python 3.11 or later" in capsys.readouterr().err
    assert starter.LEAST == (3, 11)


@pytest.mark.parametrize("name", ["host/start.py", "tests/run.py"])
def test_old_python_can_read_it(name: str) -> None:
    import ast

    source = (TOP / name).read_text(encoding="utf-8")
    ast.parse(source, feature_version=(3, 6))
    assert "from __future__ import annotations" not in source, "3.6 does not know it"


CHECKS = """
[ "$1" = -c ] && exit 0
echo "$*" >> {project}/called.txt
case "$2" in
pytest) cat {project}/pytest.txt; exit {code};;
esac
"""


def run_checks(
    project: Path, output: str, code: int = 0, *words: str, **environment: str
) -> subprocess.CompletedProcess[str]:
    stand_in(project, CHECKS.format(project=project, code=code))
    (project / "pytest.txt").write_text(output, encoding="utf-8")
    kept = {key: value for key, value in os.environ.items() if key not in ("CI", "PYTEST_ADDOPTS")}
    return subprocess.run(
        [sys.executable, str(project / "tests" / "run.py"), *words],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env={**kept, **environment},
    )


@posix_only
def test_checks_end_with_skips_and_the_summary(project: Path) -> None:
    data = project / "data"
    data.mkdir()
    output = "..s.\nSKIPPED [2] tests/x/test_a.py:7: needs a tool\n3 passed, 2 skipped in 1.20s\n"
    done = run_checks(project, output, KNUCKLE_TEST_DATA=str(data))
    lines = done.stdout.splitlines()
    assert done.returncode == 0
    assert lines[-1] == "3 passed, 2 skipped in 1.20s"
    assert "  tests/x/test_a.py:7 (2): needs a tool" in lines
    assert [call.split()[1] for call in called(project)] == [
        "pip",
        "ruff",
        "ruff",
        "mypy",
        "pytest",
    ]
    assert called(project)[0].endswith(f"-e {project}[test]")
    assert "--cov" not in called(project)[-1]


@posix_only
def test_coverage_is_counted_when_asked(project: Path) -> None:
    done = run_checks(project, "3 passed in 1.20s\n", 0, "--coverage", "tests/wire")
    assert done.returncode == 0
    assert "--cov " in called(project)[-1]
    assert "tests/wire" in called(project)[-1]
    assert "--coverage" not in called(project)[-1]


@posix_only
def test_failed_tests_fail(project: Path) -> None:
    done = run_checks(project, "1 failed, 2 passed in 1.00s\n", 1)
    assert done.returncode == 1
    assert done.stdout.splitlines()[-1] == "1 failed, 2 passed in 1.00s"
    assert "Failed: pytest (exit code 1)" in done.stdout


@posix_only
@pytest.mark.parametrize(("in_ci", "code"), [("", 0), ("1", 1), ("true", 1)])
def test_missing_data_is_a_stated_skip_and_a_failure_in_ci(
    project: Path, in_ci: str, code: int
) -> None:
    absent = str(project / "absent")
    done = run_checks(project, "1 passed in 0.10s\n", CI=in_ci, KNUCKLE_TEST_DATA=absent)
    assert done.returncode == code
    assert f"outside data: no folder {absent}" in done.stdout
    assert ("Failed: missing: outside data" in done.stdout) == bool(code)


@posix_only
@pytest.mark.parametrize(("in_ci", "code"), [("", 0), ("1", 1)])
@pytest.mark.parametrize("wanted", ["no-such-command-here", "/no/such/file.h"])
def test_missing_tool(project: Path, in_ci: str, code: int, wanted: str) -> None:
    (project / "tests" / "apt.txt").write_text(
        f"some-package\t{wanted}\tshows something\n", encoding="utf-8"
    )
    (project / "bin").mkdir()
    apt = project / "bin" / "apt-get"
    apt.write_text(f'#!/bin/sh\necho "apt-get $*" >> {project}/apt-called.txt\n', encoding="utf-8")
    apt.chmod(0o755)
    path = f"{project / 'bin'}{os.pathsep}{os.environ['PATH']}"
    done = run_checks(
        project, "1 passed in 0.10s\n", CI=in_ci, PATH=path, KNUCKLE_TEST_DATA=str(project)
    )
    assert done.returncode == code
    assert f"{wanted} is missing (shows something)" in done.stdout
    asked = (project / "apt-called.txt").exists()
    assert asked == (os.geteuid() == 0), "installed unasked only as root"
    if asked:
        assert "+ apt-get install -q -y --no-install-recommends some-package" in done.stderr


def firmware_tools(project: Path, *, without: str, make: str) -> str:
    """Lay out a firmware to be made by a script; return a PATH that holds all tools but one."""
    (project / "firmware").mkdir()
    (project / "firmware" / "Makefile").write_text("board:\n", encoding="utf-8")
    tools = project / "tools"
    tools.mkdir()
    scripts = {"make": f'echo "make $*" >> {project}/made.txt\n{make}\n'}
    for name in ("make", "cc", "avr-gcc", "avr-objdump"):
        if name != without:
            (tools / name).write_text("#!/bin/sh\n" + scripts.get(name, ""), encoding="utf-8")
            (tools / name).chmod(0o755)
    (tools / "sh").symlink_to("/bin/sh")
    return str(tools)


@posix_only
def test_firmware_is_built_first(project: Path) -> None:
    path = firmware_tools(project, without="", make="exit 0")
    done = run_checks(project, "1 passed in 0.10s\n", PATH=path, KNUCKLE_TEST_DATA=str(project))
    assert done.returncode == 0
    made = (project / "made.txt").read_text(encoding="utf-8").splitlines()
    assert "make -C firmware library" in made
    assert "make -C firmware posix" in made


@posix_only
def test_firmware_that_does_not_build_fails(project: Path) -> None:
    path = firmware_tools(project, without="", make="exit 2")
    done = run_checks(project, "1 passed in 0.10s\n", PATH=path, KNUCKLE_TEST_DATA=str(project))
    assert done.returncode == 1
    assert "make -C firmware library" in done.stdout.split("Failed: ")[1]


@posix_only
@pytest.mark.parametrize(("in_ci", "code"), [("", 0), ("1", 1)])
def test_firmware_without_its_compiler(project: Path, in_ci: str, code: int) -> None:
    path = firmware_tools(project, without="avr-gcc", make="exit 0")
    done = run_checks(
        project, "1 passed in 0.10s\n", CI=in_ci, PATH=path, KNUCKLE_TEST_DATA=str(project)
    )
    assert done.returncode == code
    assert re.search(r"make -C firmware board: avr-gcc.* missing", done.stdout)
    made = (project / "made.txt").read_text(encoding="utf-8")
    assert "board" not in made


@posix_only
def test_words_go_to_pytest(project: Path) -> None:
    run_checks(project, "1 passed in 0.10s\n", 0, "tests/wire", "-k", "cobs")
    assert called(project)[-1].endswith("-rs tests/wire -k cobs")


def test_every_listed_package_has_command_and_reason() -> None:
    lines = (TOP / "tests" / "apt.txt").read_text(encoding="utf-8").splitlines()
    for line in lines:
        if line and not line.startswith("#"):
            assert len(line.split("\t")) == 3
