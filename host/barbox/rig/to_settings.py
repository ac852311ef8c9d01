"""A rig to the settings of its box."""

from __future__ import annotations

from typing import Any

from barbox.errors import UserError
from barbox.rig.dividers import nominal_uncertainty_v, nv_per_count
from barbox.rig.keys import LEARNED_LEVER, LEARNED_SENSE
from barbox.rig.model import Rig, SensePoint
from shared_proto.messages import SENSES_MAX
from shared_proto.settings import Values, conflict

_SAME_DIVIDER = 0.05
"""A calibrated gain further than this from the nominal one belongs to another divider (1 % parts give 2 %)."""


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
    for n in range(SENSES_MAX):
        put("sense.side", 0, n)
    for s, side in enumerate(rig.sides):
        put("side.name", side.name.encode(), s)
        put("side.cells", side.cells, s)
        put("side.idle_us", side.esc.idle_us, s)
        put("side.full_us", side.esc.full_us, s)
        put("side.proven", int(side.proof is not None), s)
        if side.curve_pm:
            put("side.curve", side.curve_pm, s)
        for point in side.sense:
            _sense(rig, put, s + 1, side.name, point)
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
    put("sense.nv_per_count", round(nv_per_count(point, rig.board)), n, f"{where}: its divider")
    uncertainty_mv = round(1000.0 * nominal_uncertainty_v(point, rig.board, full_v))
    put("sense.uncertainty_mv", uncertainty_mv, n, f"{where}: its uncertainty, take smaller or closer resistors,")


def settings_over(rig: Rig, box: Values) -> tuple[Values, list[str]]:
    """The settings to apply to a box that has `box`, and what is kept of them, in plain words.

    What the same rig's box has learned stays unless the sheet states it: the calibration of an input whose
    place and divider are the same, the lever's end points, a curve. A box of another rig keeps nothing.
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
        for point in side.sense:
            n = point.input - 1
            if box.get("sense.calibrated", n) and _same_point(values, box, n):
                keep(LEARNED_SENSE, n)
                kept.append(f"the calibration of input {point.input} ({side.name}, {point.cells} cells)")
    return values, kept


def _same_point(a: Values, b: Values, n: int) -> bool:
    gain, other = a.get("sense.nv_per_count", n), b.get("sense.nv_per_count", n)
    same_place = all(a.get(name, n) == b.get(name, n) for name in ("sense.side", "sense.cells"))
    return same_place and abs(other - gain) <= _SAME_DIVIDER * gain
