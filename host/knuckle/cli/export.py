"""``knuckle export``: a run as a file of its own."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from knuckle.cli.stored import (
    ForceOption,
    OutOption,
    PodOnWheelOption,
    RunArgument,
    chosen_stream,
    decoded_stream,
    file_stem,
    open_store,
    run_number,
    sample_clocks,
    working,
)
from knuckle.errors import UsageError

if TYPE_CHECKING:
    from knuckle.report.export import Readings
    from knuckle.store.database import Store
    from knuckle.store.rows import RunDetail, StreamRow


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("export")(export)


def export(
    ctx: typer.Context,
    run: RunArgument,
    form: Annotated[
        str | None,
        typer.Option(
            "--as",
            metavar="csv|json|capture|parquet|calibration",
            help="csv unless the suffix of --out says otherwise.",
            show_default=False,
        ),
    ] = None,
    out: OutOption = None,
    wheel: PodOnWheelOption = None,
    raw: Annotated[
        bool,
        typer.Option("--raw", help="Samples as the pod sent them, no calibration applied."),
    ] = False,
    force: ForceOption = False,
) -> None:
    """Write a run to a file: samples (csv, parquet), results (json), raw bytes (capture).

    A csv log and a capture can be read by `knuckle analyze`; a calibration by --calibration.
    Samples are corrected by the calibration that the run was measured with.
    """
    from knuckle.report.export import FORMATS, Export

    name = _format_of(form, out)
    chosen = FORMATS[name]
    with open_store(ctx) as store:
        number = run_number(store, run)
        detail = store.run(number)
        row = chosen_stream(detail, wheel) if chosen.of_one_pod else None
        stem = file_stem(detail, None if row is None else row.wheel)
        path = out or Path(f"{stem}{chosen.ending}")

        def readings() -> Readings:
            return _readings(store, detail, chosen_stream(detail, wheel), raw)

        def calibration() -> dict[str, Any]:
            return _calibration(store, detail, chosen_stream(detail, wheel))

        chosen.write(
            Export(
                store,
                detail,
                path,
                force,
                working,
                readings,
                calibration,
                lambda: sample_clocks(store, detail),
            )
        )
    typer.echo(f"Wrote {path}")


def _readings(store: Store, detail: RunDetail, row: StreamRow, raw: bool) -> Readings:
    from dataclasses import replace

    from knuckle.report.export import Readings, corrected_range_g, log_facts
    from knuckle.run.calibrations import of_run
    from knuckle.store.recording import samples_of
    from knuckle.store.wheel_facts import of_wheel

    detail = replace(detail, facts=of_wheel(detail.facts, row.wheel))
    decoded = decoded_stream(store, detail, row)
    if decoded.block is None and decoded.linear is not None:
        told = log_facts(
            detail,
            row.stream,
            {"source": "none"},
            text_facts=decoded.text_facts,
            clock=decoded.clock,
        )
        return Readings(decoded.linear, told)
    block = samples_of(decoded, detail.summary.run_id, row.stream)
    fact, calibration = of_run(detail.facts, decoded)
    if raw and calibration is not None:
        fact, calibration = {"source": "none"}, None
    facts = log_facts(detail, row.stream, fact, text_facts=decoded.text_facts, clock=decoded.clock)
    if calibration is not None:
        block = calibration.applied(block)
        if "accelerometer_range_g" in facts:
            stated = float(facts["accelerometer_range_g"])
            facts["accelerometer_range_g"] = repr(corrected_range_g(block, stated))
    return Readings(block, facts)


def _calibration(store: Store, detail: RunDetail, row: StreamRow) -> dict[str, Any]:
    from knuckle.run.calibration_json import to_json
    from knuckle.run.calibrations import of_run

    made = detail.facts.get("calibration_made")
    if isinstance(made, dict):
        from knuckle.run.calibration_json import of_record

        return to_json(of_record(made))
    from knuckle.store.wheel_facts import of_wheel

    facts = of_wheel(detail.facts, row.wheel)
    _, calibration = of_run(facts, decoded_stream(store, detail, row))
    if calibration is None:
        raise UsageError(
            f"Run {detail.summary.run_id} was measured without a calibration.",
            "The pod keeps none, and none was named.",
            "Name one with --calibration when measuring.",
        )
    return to_json(calibration)


def _format_of(name: str | None, out: Path | None) -> str:
    from knuckle.report.export import FORMATS

    if name is not None:
        if name.strip().lower() in FORMATS:
            return name.strip().lower()
        raise UsageError(f"--as takes {', '.join(FORMATS)}, not {name!r}.")
    if out is None:
        return "csv"
    for known, form in FORMATS.items():
        if out.suffix.lower() == form.ending:
            return known
    endings = ", ".join(form.ending for form in FORMATS.values() if form.ending.startswith("."))
    raise UsageError(
        f"The suffix of {out} names no format.",
        "",
        f"Use one of {endings}, or say which with --as.",
    )
