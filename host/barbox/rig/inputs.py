"""What is wired to the sense inputs of a box: sense points with their dividers, pack negatives, current sensors."""

from __future__ import annotations

from barbox.rig.boards import Board
from barbox.rig.dividers import SENSOR_V_PER_A, sensor_nv_per_count, suggest_upper_kohm
from barbox.rig.model import CurrentSensor, Negative, SensePoint
from barbox.rig.table import Table
from shared_proto.settings import INPUTS_OF_A_PART, ROWS, SETTINGS

_POINT = ("cells", "input", "upper_kohm", "lower_kohm", "tolerance_percent")
_NEGATIVE = ("input",)
_SENSOR = ("input", "amps_per_volt", "zero_v", "reference_input")


class Inputs:
    """The inputs of one board, each to be taken once. Every method raises UserError, in one sentence."""

    def __init__(self, board: Board, full_cell_v: float) -> None:
        self._board = board
        self._full_cell_v = full_cell_v
        self._taken: dict[int, str] = {}

    def points(self, side: Table, cells: int) -> tuple[SensePoint, ...]:
        """The sense points of a side with `cells` in series, lowest first."""
        points: dict[int, tuple[SensePoint, str]] = {}
        for t in side.tables("sense", _POINT, "{ cells = 10, input = 1, upper_kohm = 150, lower_kohm = 10 }"):
            point = SensePoint(
                cells=t.whole("cells", 1, 200),
                input=t.whole("input", 1, 200),
                upper_kohm=t.number("upper_kohm", 0.1, 10000, "kohm"),
                lower_kohm=t.number("lower_kohm", 0.1, 10000, "kohm"),
                tolerance_percent=t.number(
                    "tolerance_percent", 0.001, 10, "percent", default=SensePoint.tolerance_percent
                ),
            )
            if point.cells > cells:
                what = f"is {point.cells}, above the top of the string at {cells} cells"
                t.fail("cells", f"{what}: count again from below")
            if point.cells in points:
                other = points[point.cells][1]
                t.fail("cells", f"is {point.cells}, as is {other}.cells: name each place on the string once")
            self._take(t, point.input)
            if point.cells < cells and not self._board.taps:
                t.fail(
                    "cells",
                    f"is {point.cells}, a tap below the top at {cells}, and board {self._board.name} senses tops only: "
                    "leave the tap out or use another board",
                )
            self._divider(t, point)
            points[point.cells] = (point, t.path)
        if cells not in points:
            side.fail("sense", f"has no point at the top of the string: add one with cells = {cells}")
        return tuple([points[c][0] for c in sorted(points)])

    def negative(self, side: Table) -> Negative | None:
        """The wire from the pack's negative, where the side has one."""
        if not side.has("negative"):
            return None
        t = side.table("negative", _NEGATIVE)
        number = t.whole("input", 1, 200)
        if not self._board.below_ground:
            side.fail(
                "negative",
                f"lies below ground under load, which board {self._board.name} cannot read: leave it out or use "
                "another board",
            )
        self._take(t, number)
        return Negative(number)

    def current_sensor(self, side: Table) -> CurrentSensor | None:
        """The current sensor, where the side has one."""
        if not side.has("current_sensor"):
            return None
        t = side.table("current_sensor", _SENSOR)
        gain = SETTINGS[ROWS["sense.nv_per_count"]]
        one = sensor_nv_per_count(1.0, self._board)
        sensor = CurrentSensor(
            input=t.whole("input", 1, 200),
            amps_per_volt=t.number("amps_per_volt", gain.low / one, gain.high / one, "A/V"),
            zero_v=t.number("zero_v", 0, self._board.pin_limit_v, "V"),
            reference_input=t.whole("reference_input", 1, 200) if t.has("reference_input") else None,
        )
        zero_a = sensor.amps_per_volt * sensor.zero_v
        most_a = SETTINGS[ROWS["sense.offset_mv"]].high / 1000 / SENSOR_V_PER_A
        if zero_a > most_a:
            t.fail(
                "amps_per_volt",
                f"times zero_v is {zero_a:g} A, and the box has room for {most_a:g}: use a sensor of smaller range",
            )
        self._take(t, sensor.input)
        if sensor.reference_input is not None:
            self._reference(t, sensor.input, sensor.reference_input)
        return sensor

    def _reference(self, t: Table, number: int, reference: int) -> None:
        if not self._board.below_ground:
            t.fail("reference_input", f"needs a difference, which board {self._board.name} cannot read: leave it out")
        fourth = -(-number // INPUTS_OF_A_PART) * INPUTS_OF_A_PART
        if number == fourth or reference != fourth:
            t.fail(
                "reference_input",
                f"is {reference}, and a difference is read against the fourth input of the same ADC, {fourth}: "
                "put the sensor on one of the three before it and its reference there",
            )
        self._take(t, reference, "reference_input")

    def _take(self, t: Table, number: int, key: str = "input") -> None:
        board = self._board
        if number > board.inputs:
            t.fail(key, f"is {number}, and board {board.name} has inputs 1 to {board.inputs}: choose another")
        if number in self._taken:
            t.fail(key, f"is {number}, taken by {self._taken[number]}: give each wire its own input")
        self._taken[number] = t.path

    def _divider(self, t: Table, point: SensePoint) -> None:
        limit_v = self._board.pin_limit_v
        full_v = self._full_cell_v * point.cells
        pin_v = full_v / point.ratio
        if pin_v > limit_v:
            ratio = full_v / limit_v
            upper = suggest_upper_kohm(ratio, point.lower_kohm)
            t.fail(
                "upper_kohm",
                f"is {point.upper_kohm:g}: {full_v:.1f} V at full charge would put {pin_v:.2f} V on input "
                f"{point.input}, which takes {limit_v:g} V; the divider must be {ratio:.1f} to 1 or more, "
                f"such as upper_kohm = {upper:g} with lower_kohm = {point.lower_kohm:g}",
            )
