"""What a sweep still lacks, from where its rests lie: any order, repeats welcome."""

from __future__ import annotations

import pytest

from knuckle.run.sweep_plan import Need, plan

# Common practice, no source: 20 deg each way, and back to straight ahead.


@pytest.mark.parametrize(
    ("steers", "needs"),
    [
        (
            [0.0, 20.0, 0.1, -20.0, 0.2],
            [Need.EITHER, Need.RIGHT, Need.RIGHT, Need.STRAIGHT, Need.NOTHING],
        ),
        ([0.0, -20.0, 20.0, 0.2], [Need.EITHER, Need.LEFT, Need.STRAIGHT, Need.NOTHING]),
        # A start at a lock: what seemed to be straight ahead turns out to be a lock.
        ([0.0, -20.0, -40.0, -20.3], [Need.EITHER, Need.LEFT, Need.STRAIGHT, Need.NOTHING]),
        ([0.0, -40.0, -20.0, -20.2], [Need.EITHER, Need.STRAIGHT, Need.EITHER, Need.NOTHING]),
        # Stops on the way count as readings, not as locks.
        (
            [0.0, 10.0, 20.0, 10.2, 0.1, -9.8, -20.0, 0.0],
            [
                Need.EITHER,
                Need.EITHER,
                Need.RIGHT,
                Need.RIGHT,
                Need.RIGHT,
                Need.RIGHT,
                Need.STRAIGHT,
                Need.NOTHING,
            ],
        ),
        ([0.0, 6.0, 0.1, -6.0, 0.0], [Need.EITHER] * 5),
    ],
)
def test_what_is_lacking_after_each_rest(steers: list[float], needs: list[Need]) -> None:
    assert plan([]).need is Need.FIRST_REST
    found = [plan(steers[: count + 1]).need for count in range(len(steers))]
    assert found == needs


def test_a_mirrored_sweep_lacks_the_mirrored_lock() -> None:
    mirrored = {Need.LEFT: Need.RIGHT, Need.RIGHT: Need.LEFT}
    steers = [0.0, 20.0, 0.5, 11.0, -17.0, 0.0]
    for count in range(len(steers)):
        need = plan(steers[: count + 1]).need
        other = plan([-steer for steer in steers[: count + 1]]).need
        assert other is mirrored.get(need, need)


def test_the_lock_nearer_by_is_asked_for() -> None:
    assert plan([0.0], now_deg=6.0).need is Need.LEFT
    assert plan([0.0], now_deg=-6.0).need is Need.RIGHT
    assert plan([0.0], now_deg=1.0).need is Need.EITHER


def test_a_slow_move_to_both_sides_needs_no_stop_there() -> None:
    assert plan([0.0, 0.1], (-18.0, 18.0)).need is Need.NOTHING
    assert plan([0.0, 0.1], (-18.0, 4.0)).need is Need.LEFT


def test_counts_and_datum() -> None:
    found = plan([5.0, 25.0, 5.2, -15.0, 4.8])
    assert (found.straight, found.left, found.right) == (3, 1, 1)
    assert found.datum_deg == pytest.approx(5.0)
