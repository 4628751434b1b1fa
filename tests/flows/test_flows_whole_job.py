"""A whole job on a simulated car that takes what is advised: it ends inside its targets."""

from __future__ import annotations

from flows.whole_job import (
    PADS,
    PREPARED,
    STRINGS,
    Prepared,
    outside,
    person,
)

__all__ = ["person"]

CALIPER = "linear.kind=caliper&linear.gain=1&linear.offset_mm=0&linear.noise_mm=0.01"
SITS_WELL = "mount.tilt_sigma_deg=0.1"
FRONT = "camber LF\ncamber RF\ntoe LF\ntoe RF\n"
SWEEPS = "sweep LF\nsweep RF\n"


def test_a_car_that_is_off_ends_inside_within_two_rounds(person: Prepared) -> None:
    who = person(f"sim:string?seed=3&transport=memory&{CALIPER}&{SITS_WELL}", ())
    assert len(outside(who.car)) == 6
    who.types(PREPARED + PADS + STRINGS + FRONT + "toe LR\ntoe RR\n" + SWEEPS + "done\n")
    first = who.adjusts()
    assert [each.rsplit(" ", 1)[0] for each in first] == [
        "LR toe link",
        "LF caster adjuster",
        "LF camber shim",
        "RF camber shim",
        "LF toe link",
        "RF toe link",
    ]
    # The shims have moved toe by more than half a degree, as the car file could not tell.
    assert any("toe" in each for each in outside(who.car))
    who.types(FRONT + "toe LR\nsweep LF\ndone\n")
    assert who.adjusts()
    assert outside(who.car) == []
    who.types("toe LF\ntoe RF\ndone\n")
    rows = {f"{row['place']} {row['quantity']}": row for row in who.status()["figures"]}
    for wheel in ("LF", "RF"):
        rounds = rows[f"{wheel} toe"]["rounds"]
        assert [each["round"] for each in rounds] == ["before", "after 1", "after 2"]
        assert rounds[0]["verdict"] == "outside"
        assert rounds[-1]["verdict"] != "outside"
        assert rows[f"{wheel} camber"]["rounds"][0]["verdict"] == "outside"
        assert rows[f"{wheel} camber"]["rounds"][-1]["verdict"] != "outside"
