"""The program: its commands, the options that hold for all of them, errors and exit codes.

Exit codes: 0 done, 1 failed, 2 usage, 3 measurement refused, 130 interrupted.
"""

from __future__ import annotations

import io
import os
import shutil
import sys
import textwrap
from collections.abc import Sequence
from importlib import import_module
from pathlib import Path
from typing import Annotated, Final

import typer

from knuckle import __version__
from knuckle.cli import log
from knuckle.cli.exit_codes import DONE, FAILED, INTERRUPTED
from knuckle.cli.invocation import Invocation
from knuckle.cli.one_loop import one_loop
from knuckle.config import resolve
from knuckle.errors import KnuckleError, UsageError
from knuckle.terminal import plain as plain_signs

COMMANDS: Final = (
    "demo",
    "pods",
    "pod",
    "selftest",
    "watch",
    "reversal",
    "spin",
    "camber",
    "sweep",
    "toe",
    "travel",
    "linear",
    "calibrate",
    "noise",
    "validate",
    "car",
    "align",
    "jobs",
    "report",
    "compare",
    "history",
    "analyze",
    "runs",
    "show",
    "note",
    "export",
    "plot",
    "config",
)
"""The modules of this package that hold a command, in the order of the help.

Each has ``register(app)``, and imports what is heavy only inside its functions.
"""

_SWITCHES: Final = {"--verbose", "--sound", "--no-sound", "--plain"}
_WITH_VALUE: Final = {"--store"}


def build() -> typer.Typer:
    """Return the program with all its commands."""
    app = typer.Typer(
        name="knuckle",
        help="Camber, caster, steering-axis inclination and toe, up to a whole alignment.",
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
        context_settings={"help_option_names": ["-h", "--help"]},
        epilog="The options above may stand before or after a command. "
        "Exit codes: 0 done, 1 failed, 2 usage, 3 measurement refused, 130 interrupted.",
    )
    app.callback(invoke_without_command=True)(_begin)
    for name in COMMANDS:
        import_module(f"knuckle.cli.{name}").register(app)
    return app


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"knuckle {__version__}")
        raise typer.Exit()


def _begin(
    ctx: typer.Context,
    *,
    store: Annotated[
        Path | None, typer.Option(help="Database file that keeps every run.", metavar="FILE")
    ] = None,
    sound: Annotated[
        bool | None, typer.Option("--sound/--no-sound", help="Audible cues.", show_default=False)
    ] = None,
    plain: Annotated[
        bool | None, typer.Option("--plain", help="Plain lines in place of the live view.")
    ] = None,
    verbose: Annotated[
        bool | None, typer.Option("--verbose", help="Show the log's messages as well.")
    ] = None,
    version: Annotated[
        bool,
        typer.Option("--version", help="Show the version.", callback=_show_version, is_eager=True),
    ] = False,
) -> None:
    if ctx.invoked_subcommand is None:
        typer.echo(ctx.get_help())
        raise typer.Exit()
    settings = resolve({"store": store, "sound": sound, "plain": plain, "verbose": verbose})
    log.start(settings.log, settings.verbose)
    log.LOGGER.info("knuckle %s: %s", __version__, ctx.invoked_subcommand)
    ctx.obj = Invocation(settings)


def _general_first(arguments: Sequence[str]) -> list[str]:
    """Move the options that hold for all commands to where typer looks for them."""
    general: list[str] = []
    rest: list[str] = []
    waiting = list(arguments)
    while waiting:
        word = waiting.pop(0)
        if word == "--":
            rest += [word, *waiting]
            break
        if word in _SWITCHES or word.partition("=")[0] in _WITH_VALUE:
            general.append(word)
            if word in _WITH_VALUE:
                if not waiting:
                    raise UsageError(f"{word} needs a value after it.")
                general.append(waiting.pop(0))
        else:
            rest.append(word)
    return general + rest


def explain(error: KnuckleError) -> str:
    """Return an error as the lines that a person sees: what happened, why, what next."""
    lines = [error.what]
    if error.cause:
        lines.append(f"  cause: {error.cause}")
    if error.next_step:
        lines.append(f"  next:  {error.next_step}")
    return "\n".join(lines)


def _wrapped(text: str) -> str:
    """Break long lines between words where a person reads them on a terminal."""
    if not sys.stderr.isatty():
        return text
    width = max(40, shutil.get_terminal_size().columns - 1)
    lines = (
        textwrap.fill(line, width, subsequent_indent="         ", break_on_hyphens=False)
        for line in text.splitlines()
    )
    return "\n".join(lines)


def _explain_usage(error: typer.TyperException) -> str:
    context = getattr(error, "ctx", None)
    command = context.command_path if context is not None else "knuckle"
    said = " ".join(error.format_message().split())
    return f"{said}\n  next:  `{command} --help` lists what can be given."


def _explain_bug(error: Exception) -> str:
    path = log.write_traceback(error)
    kept = f"Details are in {path}." if path else "The details could not be written to a file."
    return (
        f"The program has met a fault of its own: {type(error).__name__}: {error}\n"
        f"  cause: a mistake in knuckle, not in what you did. {kept}\n"
        "  next:  Everything captured so far is kept. Please report it with that file."
    )


def _explain_system(error: OSError) -> str:
    log.write_traceback(error)
    return (
        f"The system refused something: {error}.\n"
        "  cause: a full disk, a missing permission, or an output that was closed.\n"
        "  next:  Put that right and try again; everything captured so far is kept."
    )


def _pipe_closed() -> int:
    # Whoever read our output (`head`, say) has seen enough. What is still buffered goes to
    # nowhere, or Python would complain about it at its end.
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return FAILED


def run(arguments: Sequence[str]) -> int:
    """Carry out one call of the program and return its exit code.

    Parameters
    ----------
    arguments : sequence of str
        What stands after the program's name.
    """
    # The matrices here are small: threads that wait for each other make them slower, on a busy
    # machine many times. Read when numpy is first imported, which happens in the commands.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    plain_signs.register()
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=plain_signs.ERRORS)
    try:
        with one_loop():
            words = _general_first(arguments)
            code = build()(args=words, prog_name="knuckle", standalone_mode=False)
        sys.stdout.flush()
    except KnuckleError as error:
        log.LOGGER.info("%s: %s", type(error).__name__, error)
        print(_wrapped(explain(error)), file=sys.stderr)
        return error.exit_code
    except typer.TyperException as error:
        print(_explain_usage(error), file=sys.stderr)
        return int(error.exit_code)
    except (KeyboardInterrupt, typer.Abort):
        code = INTERRUPTED
    except BrokenPipeError:
        return _pipe_closed()
    except OSError as error:
        print(_explain_system(error), file=sys.stderr)
        return FAILED
    except Exception as error:
        print(_explain_bug(error), file=sys.stderr)
        return FAILED
    if code == INTERRUPTED:
        print("Interrupted.", file=sys.stderr)
    return code if isinstance(code, int) else DONE


def main() -> None:
    """Run the program on the words of the command line."""
    sys.exit(run(sys.argv[1:]))


if __name__ == "__main__":
    main()
