"""Jobs made of invented readings, for tests."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from knuckle.car.file import CarFile, read_car
from knuckle.job.book import add_run, open_or_begin, view_of
from knuckle.model.result import BudgetTerm, Outcome, Quantity, Result
from knuckle.model.wheel import Wheel
from knuckle.store.database import Store
from knuckle.store.rows import JobOf, RunState

CAR = """name = "Plover"
wheelbase_mm = 2400
track_front_mm = 1400
track_rear_mm = 1400
rim_mm = 430

[front]
toe_link = { pitch_mm = 1.5, thread = "single", arm_mm = 118, side = "behind" }

[front.targets]
camber_deg = { aim = -1.5, within = 0.5 }
toe_deg = { aim = 0.1, within = 0.1 }
total_toe_deg = { aim = 0.2, within = 0.2 }

[rear.targets]
thrust_deg = { aim = 0, within = 0.1 }
"""


def car_file(folder: Path, text: str = CAR) -> CarFile:
    path = folder / "plover.toml"
    path.write_text(text, encoding="utf-8")
    return read_car(path)


def result(quantity: Quantity, value: float, **u: float) -> Result:
    budget = tuple(BudgetTerm(source, source, x) for source, x in u.items())
    whole = math.sqrt(sum(term.standard_uncertainty**2 for term in budget))
    condition = (
        "against the string, taken as the car's line"
        if quantity is Quantity.TOE
        else "relative to gravity"
    )
    return Result(quantity, value, 1.96 * whole, 1.96, "deg", budget, condition)


class MadeJob:
    """A job to which readings can be added as a pod would have made them."""

    def __init__(self, store: Store, file: CarFile) -> None:
        self.store = store
        self.number, _ = open_or_begin(store, file)

    @property
    def view(self):
        return view_of(self.store, self.number)

    def enter(self, phase: str, kind: str, run: int | None = None, **record: Any) -> int:
        return self.store.jobs.add(self.number, phase, kind, record, run)

    def run(self, wheel: str, *results: Result, pod: str = "0a" * 8, **facts: Any) -> int:
        measure = "toe" if results[0].quantity is Quantity.TOE else "camber"
        of = JobOf(self.number, self.store.jobs.job(self.number).car_id)
        with Store(self.store.path, job=of) as store:
            run = store.begin_run(measure, [wheel], facts=facts)
            store.describe_stream(run, 0, identity=pod)
            store.add_result(
                run, Outcome(measure, wheel, {r.quantity: r for r in results}), method="made"
            )
            store.finish_run(run, RunState.FINISHED)
        return run

    def read(self, wheel: str, *results: Result, **more: Any) -> int:
        record = {"rim_deg": more.pop("rim_deg")} if "rim_deg" in more else {}
        run = self.run(wheel, *results, **more)
        add_run(self.store, self.number, run, record)
        return run

    def toe(self, wheel: str, value: float, **more: Any) -> int:
        return self.read(
            wheel, result(Quantity.TOE, value, noise=0.01, string=0.03, runout=0.04), **more
        )

    def camber(self, wheel: str, value: float, **more: Any) -> int:
        calibrated = {"calibration": {"source": "store", "number": 1}}
        return self.read(
            wheel,
            result(Quantity.CAMBER, value, noise=0.02, zero=0.1, pads=0.1),
            **{**calibrated, **more},
        )

    def row(self, quantity: Quantity, place: str):
        return next(
            (r for r in self.view.figures if (r.quantity, r.place) == (quantity, place)), None
        )

    def all_toe(self, **values: float) -> None:
        for wheel in Wheel:
            self.toe(wheel.value, values[wheel.value])
