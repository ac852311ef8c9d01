"""A rig to the settings of its box."""

from __future__ import annotations

from math import ceil
from typing import Any

from barbox.errors import UserError
from barbox.rig.dividers import (
    SENSOR_V_PER_A,
    nominal_uncertainty_v,
    nv_per_count,
    sensor_nv_per_count,
    straight_uncertainty_v,
)
from barbox.rig.keys import LEARNED_LEVER, LEARNED_SENSE
from barbox.rig.model import CurrentSensor, Rig, SensePoint, Side
from shared_proto.messages import SENSES_MAX
from shared_proto.settings import CURRENT, KINDS, NEGATIVE, Values, conflict, far_from_nominal


def settings(rig: Rig) -> Values:
    """The settings of a box for this rig, sensing at nominal dividers. Raises UserError when they conflict."""
    values = Values()

    def put(name: str, value: Any, index: int = 0, where: str = "") -> None:
        try:
            values.put(name, value, index)
        except ValueError as error:
            raise UserError(f"{rig.source}: {where or name} does not fit the box: {error}") from None

    put("rig", rig.name.encode())
    put("rig_crc", rig.crc)
    put("sides", len(rig.sides))
    for name, value in rig.plain.items():
        put(name, value)
    put("reference_ppm", rig.wiring.reference_ppm or 0)
    for n in range(SENSES_MAX):
        put("sense.side", 0, n)
    for s, side in enumerate(rig.sides):
        put("side.name", side.name.encode(), s)
        put("side.cells", side.cells, s)
        put("side.idle_us", side.esc.idle_us, s)
        put("side.full_us", side.esc.full_us, s)
        put("side.negative_uohm", ceil(1000 * rig.wiring.lead_mohm), s, "[wiring]: the heavy negative")
        put("side.capacity_mah", round(1000 * side.capacity_ah), s)
        if side.curve_pm:
            put("side.curve", side.curve_pm, s)
        if side.current_a:
            put("side.current_da", tuple([round(10 * a) for a in side.current_a]), s)
        for point in side.sense:
            _sense(rig, put, s + 1, side.name, point)
        if side.negative:
            _negative(rig, put, s + 1, side.negative.input - 1)
        if side.current_sensor:
            _sensor(rig, put, s + 1, side.name, side.current_sensor)
    wrong = conflict(values)
    if wrong:
        raise UserError(f"{rig.source}: {wrong}")
    return values


def _sense(rig: Rig, put: Any, side: int, name: str, point: SensePoint) -> None:
    n = point.input - 1
    where = f"the sense point of {name} at {point.cells} cells"
    full_v = rig.full_cell_v * point.cells
    put("sense.side", side, n)
    put("sense.cells", point.cells, n)
    for name in ("sense.nv_per_count", "sense.nominal_nv"):
        put(name, round(nv_per_count(point, rig.board)), n, f"{where}: its divider")
    uncertainty_mv = round(1000.0 * nominal_uncertainty_v(point, rig.board, full_v))
    put("sense.uncertainty_mv", uncertainty_mv, n, f"{where}: its uncertainty, take smaller or closer resistors,")


def _negative(rig: Rig, put: Any, side: int, n: int) -> None:
    put("sense.side", side, n)
    put("sense.kind", NEGATIVE, n)
    put("sense.nv_per_count", round(rig.board.step_nv), n)
    # It is never far from ground, so the error of the gain does not count.
    put("sense.uncertainty_mv", ceil(1000.0 * straight_uncertainty_v(0.0, rig.board)), n)


def _sensor(rig: Rig, put: Any, side: int, name: str, sensor: CurrentSensor) -> None:
    n = sensor.input - 1
    where = f"the current sensor of {name}"
    v_per_v = sensor.amps_per_volt * SENSOR_V_PER_A
    put("sense.side", side, n)
    put("sense.kind", CURRENT, n)
    put("sense.against", int(sensor.reference_input is not None), n)
    put("sense.nv_per_count", round(sensor_nv_per_count(sensor.amps_per_volt, rig.board)), n, where)
    put("sense.offset_mv", -round(1000.0 * sensor.zero_v * v_per_v), n, where)
    # Of the ADC alone; the sensor's own error is not stated.
    uncertainty_v = v_per_v * straight_uncertainty_v(rig.board.pin_limit_v, rig.board)
    put("sense.uncertainty_mv", ceil(1000.0 * uncertainty_v), n, where)


def _inputs(side: Side) -> list[tuple[int, str]]:
    """(input from 0, what is wired to it) of a side."""
    found = [(p.input - 1, f"{p.cells} cells") for p in side.sense]
    for kind, wired in ((NEGATIVE, side.negative), (CURRENT, side.current_sensor)):
        if wired:
            found.append((wired.input - 1, KINDS[kind]))
    return found


def settings_over(rig: Rig, box: Values) -> tuple[Values, list[str]]:
    """The settings to apply to a box that has `box`, and what is kept of them, in plain words.

    What the same rig's box has learned stays unless the sheet states it: the calibration of an input whose
    place and divider are the same, the lever's end points, a curve, a measured current. A box of
    another rig keeps nothing.
    """
    values = settings(rig)
    kept: list[str] = []
    if box.get("rig") != values.get("rig"):
        return values, kept

    def keep(names: tuple[str, ...], index: int = 0) -> bool:
        changed = False
        for name in names:
            changed |= values.get(name, index) != box.get(name, index)
            values.put(name, box.get(name, index), index)
        return changed

    if not rig.stated.intersection(LEARNED_LEVER) and keep(LEARNED_LEVER):
        kept.append("the lever's end points, as learned")
    for s, side in enumerate(rig.sides):
        same = box.get("side.name", s) == values.get("side.name", s)
        if side.curve_pm is None and same and keep(("side.curve",), s):
            kept.append(f"the curve of {side.name}, which the sheet does not state")
        if side.current_a is None and same and keep(("side.current_da",), s):
            kept.append(f"the measured current of {side.name}, which the sheet does not state")
        for n, what in _inputs(side):
            if box.get("sense.calibrated", n) and _same_point(values, box, n):
                keep(LEARNED_SENSE, n)
                kept.append(f"the calibration of input {n + 1} ({side.name}, {what})")
    return values, kept


def _same_point(a: Values, b: Values, n: int) -> bool:
    """Whether what `b` has learned of an input fits the place and the divider that `a` states for it."""
    if any(a.get(name, n) != b.get(name, n) for name in ("sense.side", "sense.cells", "sense.kind")):
        return False
    both = a.copy()
    for name in LEARNED_SENSE:
        both.put(name, b.get(name, n), n)
    return not far_from_nominal(both, n)
