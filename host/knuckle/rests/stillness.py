"""The state machine over cells: moving, settling, still."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Literal

from knuckle.model.block import Block
from knuckle.rests.bias import BiasWitnesses
from knuckle.rests.candidate import Candidates, windows_of
from knuckle.rests.cells import CellMaker, Cells, joined
from knuckle.rests.level import Level
from knuckle.rests.noise_floor import KnownFloor, NoiseFloor
from knuckle.rests.open_rest import Closing, Notice, OpenRest, widen
from knuckle.rests.settings import RestSettings

_MEMORY_S = 5.0
_RETURN_CELLS = 3
"""Good cells in a row after which a disturbance counts as over."""
_YOUNG_S = 2.0
_YOUNG_LEVEL_S = 1.5
"""A change of rate, or of the accelerometer, so soon after a rest's start is settling."""
_LOOK_BACK_S = 3.0
_DOUBT_DEG = 0.15
"""A disturbance over which the gyro turned further may have been a move."""
_SURELY_MOVED_DEG = 4.0
"""Turned so far, the wheel has moved, however short it took."""
_SLOW_START_S = 1.0
_UNBELIEVED_S = 4.0
"""A rest whose gyro mean disagrees with all before is announced only after this time."""


class Stillness:
    """Cells in, notices out. Positions are cells counted from the stretch's first sample."""

    def __init__(
        self,
        size: int,
        rate_hz: float,
        has_gyro: bool,
        settings: RestSettings,
        known: KnownFloor | None = None,
    ) -> None:
        self.floor = NoiseFloor()
        self._settings = settings
        self._size = size
        self._cell_s = size / rate_hz
        self._has_gyro = has_gyro
        self._memory = max(8, round(_MEMORY_S / self._cell_s))
        if known is not None:
            self.floor.begin(known, self._memory)
        self._loud = max(settings.loudness, 1.0 + 7.0 * math.sqrt(2.0 / (size - 1)))
        self._longest_knock = max(2, round(settings.longest_knock_s / self._cell_s))
        self._candidates = Candidates(size, self._cell_s, has_gyro, self._loud, settings)
        self._walk = round(_LOOK_BACK_S / self._cell_s)
        self._look_back = self._candidates.longest + 6 * self._walk
        self.bias = BiasWitnesses()
        self.new_stretch()

    def new_stretch(self) -> None:
        """Begin at cell 0 of another stretch; noise and bias stay known."""
        self._maker = CellMaker(self._size, self._has_gyro)
        self._history: Cells | None = None
        self._next = 0
        self._earliest = 0
        self._open: OpenRest | None = None
        self._quiet = False
        self._slid_at = self._split_at = -_RETURN_CELLS
        self._candidates.reset()

    @property
    def state(self) -> Literal["moving", "settling", "still"]:
        """What the wheel is doing."""
        if self._open is not None:
            if len(self._open.pending) - self._open.good_run > _RETURN_CELLS:
                return "moving"
            return "still" if self._open.announced else "settling"
        return "settling" if self._quiet else "moving"

    def going(self) -> Closing | None:
        """Return the rest that goes on, without a disturbance that is not over."""
        if self._open is None:
            return None
        return self._open.closing(self._open.first + len(self._open.good))

    def needed_from(self) -> int:
        """Return the first cell whose samples may still be asked for."""
        if self._open is not None:
            return self._open.first
        return max(self._earliest, self._next - self._look_back - 1)

    def push(self, block: Block) -> Iterator[Notice]:
        """Take samples of the running stretch; the caller may act between notices."""
        new = self._maker.push(block)
        if len(new) == 0:
            return
        cells = joined(self._history, new, self._look_back)
        before = len(cells) - len(new)
        self._cells = cells
        self._offset = self._next - before
        self._accel = cells.accel.mean.tolist()
        self._gyro = None if cells.gyro is None else cells.gyro.mean.tolist()
        self._accel_inner = cells.accel.inner.tolist()
        self._gyro_inner = None if cells.gyro is None else cells.gyro.inner.tolist()
        self._accel_swing = cells.accel.swing.tolist()
        self._gyro_swing = None if cells.gyro is None else cells.gyro.swing.tolist()
        accel_step = (cells.accel.step * 0.5).tolist()
        gyro_step = None if cells.gyro is None else (cells.gyro.step * 0.5).tolist()
        end_s = cells.end_s.tolist()
        windows = windows_of(cells, self._candidates.widths)
        for row in range(before, len(cells)):
            cell = self._next
            self._next += 1
            if self._open is not None:
                yield from self._go_on(self._open, row, cell, end_s[row], accel_step, gyro_step)
            if self._open is None:
                first = self._candidates.look(
                    windows, row, cell - self._earliest + 1, self.floor, self.bias.known
                )
                self._quiet = self._candidates.quiet
                if first:
                    self._begin(row, cell, first)
            rest = self._open
            if (
                rest is not None
                and not rest.announced
                and rest.bad_since is None
                and self._believed(rest)
            ):
                rest.announced = True
                yield Notice("ready", end_s[row], self.going())
        self._history = cells.part(max(0, len(cells) - self._look_back), len(cells))

    def _begin(self, row: int, cell: int, width: int) -> None:
        """Open a rest over the last `width` cells, and over what fits before them."""
        inside = range(row - width + 1, row + 1)
        if not self.floor.known or self._candidates.changed_floor:
            accel, gyro = self._candidates.local
            self.floor.accel.restart(*accel, width)
            self.floor.gyro.restart(*gyro, width)
            self.floor.known = True
        self.floor.untried = False
        level = Level(self._cell_s, self.floor, self._settings, self._has_gyro)
        for r in inside:
            level.add(self._accel[r], None if self._gyro is None else self._gyro[r])
        first_row, flags, knocks = self._walk_back(row - width + 1, level)
        rows = range(first_row, row + 1)
        self._open = OpenRest(
            first=first_row + self._offset,
            start_s=float(self._cells.start_s[first_row]),
            good=flags + [True] * width,
            end_s=[float(self._cells.end_s[r]) for r in rows],
            level=level,
            knocks=knocks,
            doubtful=first_row + self._offset - self._slid_at < _RETURN_CELLS,
        )

    def _walk_back(self, row: int, level: Level) -> tuple[int, list[bool], int]:
        """Find still cells before `row`, over short knocks; return first row and flags."""
        lowest = max(0, self._earliest - self._offset, row - self._walk)
        flags: list[bool] = []
        kept = 0
        bad = run = 0
        knocks = kept_knocks = 0
        turned = [0.0, 0.0, 0.0]
        beyond: list[int] = []
        before_knock: tuple[int, int] | None = None
        for r in range(row - 1, lowest - 1, -1):
            good = self._is_good(r, level)
            flags.append(good)
            if good:
                run += 1
                if bad == 0 or run >= _RETURN_CELLS:
                    if bad:
                        knocks += 1
                        before_knock = before_knock or (kept, kept_knocks)
                    bad = 0
                    kept = len(flags)
                    kept_knocks = knocks
                if before_knock:
                    beyond.append(r)
            else:
                if self._gyro is not None:
                    level.turn(turned, self._gyro[r])
                elif not self._is_loud(r):
                    # A slow end of a move looks like a knock to gravity alone.
                    break
                run = 0
                bad += 1
                if bad + run > self._longest_knock:
                    break
        if before_knock:
            earlier = [self._accel[r] for r in beyond]
            if (
                not level.agrees(earlier)
                if self._gyro is None
                else math.hypot(*turned) > _DOUBT_DEG
                and level.turned_since(earlier, turned) is not False
            ):
                kept, kept_knocks = before_knock
        flags = flags[:kept][::-1]
        widen(flags)
        while flags and not flags[0]:
            flags.pop(0)
        return row - len(flags), flags, kept_knocks

    def _is_loud(self, row: int) -> bool:
        if self._accel_inner[row] > self._loud * self.floor.accel.inner:
            return True
        return (
            self._gyro_inner is not None
            and self._gyro_inner[row] > self._loud * self.floor.gyro.inner
        )

    def _is_good(self, row: int, level: Level) -> bool:
        if self._is_loud(row):
            return False
        return level.near(self._accel[row], None if self._gyro is None else self._gyro[row])

    def _go_on(
        self,
        rest: OpenRest,
        row: int,
        cell: int,
        at_s: float,
        accel_step: list[float],
        gyro_step: list[float] | None,
    ) -> Iterator[Notice]:
        good = self._is_good(row, rest.level)
        if not good:
            rest.loud = rest.loud or self._is_loud(row)
            if self._gyro is not None:
                rest.level.turn(rest.turned_deg, self._gyro[row])
        if rest.bad_since is not None:
            rest.pending.append(good)
            rest.good_run = rest.good_run + 1 if good else 0
            if rest.good_run >= _RETURN_CELLS:
                self._end_knock(rest, row, cell)
                yield Notice("knock", at_s)
            elif (
                len(rest.pending) - rest.good_run > self._longest_knock
                or math.hypot(*rest.turned_deg) > _SURELY_MOVED_DEG
            ):
                yield self._close(rest, self._departure(rest), cell, at_s, departed=True)
                return
        elif not good:
            rest.bad_since = cell
            rest.pending = [False]
            rest.good_run = 0
            return
        else:
            rest.good.append(True)
            rest.level.add(self._accel[row], None if self._gyro is None else self._gyro[row])
            self.floor.accel.learn(
                self._accel_inner[row], accel_step[row], self._accel_swing[row], self._memory
            )
            if gyro_step is not None:
                assert self._gyro_inner is not None
                assert self._gyro_swing is not None
                self.floor.gyro.learn(
                    self._gyro_inner[row], gyro_step[row], self._gyro_swing[row], self._memory
                )
            rest.end_s.append(at_s)
        if rest.bad_since is not None:
            return
        if rest.doubt is not None and rest.level.cells >= rest.doubt.due:
            doubt, rest.doubt = rest.doubt, None
            if rest.level.has_turned(doubt) is True:
                yield self._close(rest, doubt.first - 1, cell, at_s, earliest=doubt.last + 2)
                return
        changed = rest.level.changed()
        if changed is not None:
            yield from self._leave(rest, changed, cell, at_s)

    def _end_knock(self, rest: OpenRest, row: int, cell: int) -> None:
        """A disturbance is over: keep what was good, leave its neighbours out."""
        assert rest.bad_since is not None
        flags = rest.pending
        widen(flags)
        rest.knocks += 1
        first, last = rest.bad_since, cell - _RETURN_CELLS
        rest.knock_cells.append((first, last, rest.loud))
        if math.hypot(*rest.turned_deg) > _DOUBT_DEG and rest.doubt is None:
            rest.doubt = rest.level.doubt(first, last, rest.turned_deg)
        rest.turned_deg = [0.0, 0.0, 0.0]
        rest.loud = False
        first_row = row - len(flags) + 1
        for j, good in enumerate(flags):
            r = first_row + j
            rest.good.append(good)
            rest.end_s.append(float(self._cells.end_s[r]))
            if good:
                rest.level.add(self._accel[r], None if self._gyro is None else self._gyro[r])
        at = rest.bad_since - rest.first - 1
        if at >= 0:
            rest.good[at] = False
        rest.bad_since = None
        rest.pending = []
        rest.good_run = 0

    def _leave(self, rest: OpenRest, changed: int, cell: int, at_s: float) -> Iterator[Notice]:
        """The level has changed over the last `changed` good cells."""
        at = len(rest.good)
        left = changed
        while at > 0 and left > 0:
            at -= 1
            left -= rest.good[at]
        change = rest.first + at
        knocks = [] if rest.level.rate_changed else rest.knock_cells
        for first, last, _ in reversed(knocks):
            if last >= change - changed:
                yield self._close(rest, first - 1, cell, at_s, earliest=last + 2)
                return
        if self._settles(rest, at, changed):
            kept = len(rest.good) - at
            level = Level(self._cell_s, self.floor, self._settings, self._has_gyro)
            end_row = cell - self._offset + 1
            for j in range(kept):
                r = end_row - kept + j
                if rest.good[at + j]:
                    level.add(self._accel[r], None if self._gyro is None else self._gyro[r])
            rest.first += at
            rest.start_s = rest.end_s[at - 1] if at else rest.start_s
            rest.good = rest.good[at:]
            rest.end_s = rest.end_s[at:]
            rest.level = level
            rest.doubt = None
            return
        if not rest.level.rate_changed:
            self._slid_at = change
        yield self._close(rest, change - 1, cell, at_s, earliest=change)

    def _departure(self, rest: OpenRest) -> int:
        """Return the end of a rest that has been left.

        Without gyro the slow beginning of a move looks like a knock: knocks just before are
        part of it.
        """
        assert rest.bad_since is not None
        left = rest.bad_since
        if not self._has_gyro:
            for first, last, loud in reversed(rest.knock_cells):
                if loud or (left - last) * self._cell_s > _SLOW_START_S:
                    break
                left = first
        return left - 1

    def _settles(self, rest: OpenRest, at: int, changed: int) -> bool:
        """Whether a change leads to stillness rather than away from it."""
        if not rest.level.rate_changed:
            return at * self._cell_s < _YOUNG_LEVEL_S
        if not self.bias.known:
            return at * self._cell_s < _YOUNG_S
        early, late = rest.level.sides(changed)
        return self.bias.distance_dps(late[0]) < self.bias.distance_dps(early[0])

    def _close(
        self,
        rest: OpenRest,
        end: int,
        cell: int,
        at_s: float,
        earliest: int | None = None,
        departed: bool = False,
    ) -> Notice:
        apart = rest.first - self._split_at >= _RETURN_CELLS
        closing = rest.closing(end, departed and apart)
        self._open = None
        self._earliest = max(closing.end, end) if earliest is None else earliest
        if not departed:
            self._split_at = self._earliest
        self._candidates.reset()
        return Notice("closed", at_s, closing)

    def _believed(self, rest: OpenRest) -> bool:
        """Whether the gyro's mean agrees with the rests before, as far as they are sure.

        A rest that follows one whose level slid away must first show that it stands.
        """
        if self.bias.sure:
            rate_dps = self.bias.rate_dps(*rest.level.latest(), rest.end_s[-1])
            if rate_dps <= self._settings.rate_tolerance_dps:
                return True
        elif not rest.doubtful:
            return True
        return len(rest.good) * self._cell_s >= _UNBELIEVED_S and rest.level.steady()
