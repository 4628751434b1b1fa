"""What becomes of a calibration: kept, printed, written into the pod; those that are kept."""

from __future__ import annotations

import secrets
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from knuckle.cli.exit_codes import DONE
from knuckle.cli.invocation import invocation
from knuckle.cli.one_loop import carry_out
from knuckle.cli.stored import open_store, print_json
from knuckle.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from knuckle.estimate.calibration import Calibration
    from knuckle.links.contract import Link
    from knuckle.run.calibrate import Calibrated
    from knuckle.run.calibration_json import Made
    from knuckle.store.database import Store
    from knuckle.store.rows import CalibrationRow


def keep(store: Store, found: Calibrated, run: int | None) -> tuple[int, Made]:
    """Put a calibration into the store; return its number, and it as it is kept.

    Where an earlier one of the pod was made at another temperature, the drift is kept with it.
    """
    from dataclasses import replace

    from knuckle.run.calibration_drift import with_drift
    from knuckle.run.calibration_json import to_json

    assert found.made is not None
    made, other = with_drift(found.made, store.calibrations(), found.parts)
    if other is not None:
        typer.echo(
            f"With calibration {other}, at another temperature, it gives the drift.", err=True
        )
    made = replace(made, run=run)
    return store.add_calibration(made.calibration.identity, to_json(made)), made


def print_made(
    ctx: typer.Context,
    found: Calibrated,
    kept: tuple[int, Made] | None,
    run: int | None,
    out: Path | None,
    *,
    as_json: bool,
    notices: Sequence[str] = (),
) -> None:
    """Print a calibration, and write it to a file where one is named."""
    from knuckle.report.calibration_text import fit_lines, wrapped
    from knuckle.report.export import export_json
    from knuckle.report.results_json import outcome_to_json
    from knuckle.run.calibration_json import to_json

    made = found.made if kept is None else kept[1]
    assert made is not None
    number, record = None if kept is None else kept[0], to_json(made)
    if out is not None:
        export_json(record, out, overwrite=True)
    if as_json:
        source = None if run is None else f"run {run}"
        print_json(
            outcome_to_json(
                found.outcome,
                source=source,
                number=number,
                calibration=record,
                notices=list(notices),
            )
        )
        return
    typer.echo("")
    for line in fit_lines(found.outcome.details):
        typer.echo(line)
    typer.echo("")
    told = [f"Warning, {one.code}: {one.text}" for one in found.outcome.warnings]
    for text in (*told, *(f"Note: {notice}" for notice in notices)):
        for line in wrapped(text):
            typer.echo(line)
    where = "" if number is None else f"kept in {invocation(ctx).settings.store}"
    where += "" if out is None else f"{' and ' if where else ''}written to {out}"
    if where:
        typer.echo(f"Calibration{'' if number is None else f' {number}'} is {where}")
    _say_what_follows(made, number)


def _say_what_follows(made: Made, number: int | None) -> None:
    if number is None:
        return
    if made.calibration.identity:
        typer.echo("From now on it corrects this pod's readings by itself.")
    else:
        typer.echo(f"The pod has no identity: say --calibration {number} to use it.")


def write_to_pod(link: Link, found: Calibrated, *, as_json: bool) -> None:
    """Write a calibration into the pod's own memory, and read it back.

    Raises
    ------
    LinkError, PodError
        If the pod does not answer, is another one, or reads back otherwise.
    """
    from knuckle.run.calibration_pod import for_pod, write_calibration
    from knuckle.run.visit import visit

    assert found.made is not None
    calibration = found.made.calibration
    wanted = for_pod(calibration, found.parts)
    carry_out(
        visit(
            link,
            lambda hello: write_calibration(
                hello, wanted, calibration.identity, lambda: secrets.token_bytes(8)
            ),
        )
    )
    typer.echo(
        "It is in the pod's own memory too, and read back as written: parameters and\n"
        "standard uncertainties; the whole covariance stays in the store.",
        file=sys.stderr if as_json else sys.stdout,
    )


def list_kept(ctx: typer.Context, *, as_json: bool) -> int:
    """List the calibrations that the store keeps, newest first."""
    from knuckle.report.calibration_text import LIST_HEAD, list_line

    rows = _rows(ctx)
    if as_json:
        listed = [{"number": row.calibration_id, **row.record} for row in rows]
        print_json({"schema": 1, "calibrations": listed})
        return DONE
    if not rows:
        typer.echo("The store keeps no calibration of a pod yet.")
        return DONE
    typer.echo(LIST_HEAD)
    for row in rows:
        typer.echo(list_line(row.calibration_id, row.record))
    return DONE


def show_kept(
    ctx: typer.Context, number: str, out: Path | None, *, force: bool, as_json: bool
) -> int:
    """Show a kept calibration, or write it to a file.

    Raises
    ------
    UsageError
        If there is none with this number.
    """
    from knuckle.report.calibration_text import record_lines
    from knuckle.report.export import export_json
    from knuckle.run.calibration_json import of_record

    found = _row(_rows(ctx), number)
    of_record(found.record)  # a damaged one is told, not shown
    if out is not None:
        export_json(found.record, out, overwrite=force)
    if as_json:
        print_json(found.record)
        return DONE
    for line in record_lines(found.record):
        typer.echo(line)
    if out is not None:
        typer.echo(f"Written to {out}")
    return DONE


def kept_calibration(ctx: typer.Context, number: str) -> Calibration:
    """Return a calibration that the store keeps, by its number.

    Raises
    ------
    UsageError
        If there is none with this number.
    """
    from knuckle.run.calibration_json import of_record

    return of_record(_row(_rows(ctx), number).record).calibration


def _rows(ctx: typer.Context) -> list[CalibrationRow]:
    from knuckle.run.calibrations import kept_of

    with open_store(ctx) as store:
        return kept_of(store.calibrations())


def _row(rows: list[CalibrationRow], number: str) -> CalibrationRow:
    named = number.strip().lower()
    found = next((r for r in rows if named == "last" or str(r.calibration_id) == named), None)
    if found is None:
        raise UsageError(
            f"The store keeps no calibration {number!r} of a pod.",
            "",
            "`knuckle calibrate --list` shows those it keeps.",
        )
    return found
