"""What a ride took out of the packs: currents, charge, energy, and how far it went for it.

A box that does not measure or cannot know a figure says so in its records; nothing is made up here for it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shared_proto.messages import NOT_KNOWN_MV, SENSES_MAX
from shared_proto.settings import CURRENT, POINT, Values

BY_SENSOR, BY_CURVE = "by the current sensor", "by the measured curve"
NO_ENERGY = "not known: no current is measured"

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Use:
    """Arrays along the status records, NaN where not known; the first three have a column for each side.

    `by`: how each side's current is known. `weakest`: the side of the weakest section, -1 none.
    """

    current_a: Floats
    string_v: Floats
    charge_percent: Floats
    speed_km_h: Floats
    rest_cell_v: Floats
    minutes_left: Floats
    weakest: NDArray[np.int64]
    by: list[str]

    def energy_wh(self, interval_s: Floats) -> Floats:
        """Energy out of each string over records that stand for `interval_s`; where nothing is known, nothing."""
        return np.nansum(self.current_a * self.string_v * interval_s[:, None], axis=0) / 3600

    def distance_km(self, interval_s: Floats) -> float:
        """The way by the wheel sensor, 0 without one."""
        return float(np.nansum(self.speed_km_h * interval_s) / 3600)


def use_of(status: NDArray[Any], settings: Values, sides: int) -> Use:
    """What the records say; a ride of a version without these fields says nothing."""
    count = len(status)
    names = status.dtype.names or ()

    def known(name: str, scale: float, unknown: int = NOT_KNOWN_MV) -> Floats:
        if name not in names:
            return np.full(count, np.nan) if name not in _OF_SIDES else np.full((count, sides), np.nan)
        raw = status[name][:, :sides] if name in _OF_SIDES else status[name]
        return np.where(raw == unknown, np.nan, raw / scale)

    rest_cell_v = known("rest_cell_mv", 1000.0)
    rest_cell_v[rest_cell_v == 0] = np.nan
    speed = known("speed_dmh", 10.0)
    if not settings.get("wheel_mm"):
        speed = np.full(count, np.nan)
    side_of = np.array([-1] + [settings.get("sense.side", n) - 1 for n in range(SENSES_MAX)])
    weakest = status["weakest"].astype(np.int64)
    return Use(
        current_a=known("current_da", 10.0),
        string_v=_string_v(status, settings, sides),
        charge_percent=known("charge_pm", 10.0),
        speed_km_h=speed,
        rest_cell_v=rest_cell_v,
        minutes_left=known("minutes_left", 1.0),
        weakest=side_of[np.minimum(weakest, SENSES_MAX)],
        by=[_by(settings, side) for side in range(sides)],
    )


_OF_SIDES = ("current_da", "charge_pm")


def _string_v(status: NDArray[Any], settings: Values, sides: int) -> Floats:
    volts = np.full((len(status), sides), np.nan)
    for side in range(sides):
        points = [
            (settings.get("sense.cells", n), n)
            for n in range(SENSES_MAX)
            if settings.get("sense.side", n) == side + 1 and settings.get("sense.kind", n) == POINT
        ]
        if points:
            mv = status["sense_mv"][:, max(points)[1]]
            volts[:, side] = np.where(mv == NOT_KNOWN_MV, np.nan, mv / 1000.0)
    return volts


def _by(settings: Values, side: int) -> str:
    sensed = [settings.get("sense.side", n) for n in range(SENSES_MAX) if settings.get("sense.kind", n) == CURRENT]
    return BY_SENSOR if side + 1 in sensed else BY_CURVE


def figures(use: Use, names: list[str], interval_s: Floats) -> dict[str, Any]:
    """The figures, for JSON; None where nothing is known."""
    energy_wh = use.energy_wh(interval_s)
    charge_ah = np.nansum(use.current_a * interval_s[:, None], axis=0) / 3600
    km = use.distance_km(interval_s)
    has_speed = bool(np.isfinite(use.speed_km_h).any())
    sides = []
    for n, name in enumerate(names):
        current, percent = use.current_a[:, n], use.charge_percent[:, n]
        known = np.isfinite(current)
        sides.append(
            {
                "side": name,
                "current_by": use.by[n] if known.any() else None,
                "current_known_s": round(float(interval_s[known].sum()), 3),
                "current_a_most": _most(current),
                "charge_used_ah": round(float(charge_ah[n]), 3) if known.any() else None,
                "energy_wh": round(float(energy_wh[n]), 1) if known.any() else None,
                "first_charge_percent": _end(percent, 0),
                "last_charge_percent": _end(percent, -1),
            }
        )
    total_wh = sum(s["energy_wh"] for s in sides if s["energy_wh"] is not None)
    complete = has_speed and km > 0 and all(s["energy_wh"] is not None for s in sides)
    return {
        "sides": sides,
        "distance_km": round(km, 3) if has_speed else None,
        "speed_km_h_most": _most(use.speed_km_h),
        "energy_wh_per_km": round(total_wh / km, 1) if complete else None,
        "first_rest_cell_v": _end(use.rest_cell_v, 0, 3),
        "last_rest_cell_v": _end(use.rest_cell_v, -1, 3),
        "last_minutes_left": _end(use.minutes_left, -1, 0),
    }


def energy_words(use: Use, names: list[str], interval_s: Floats) -> str:
    """The energy in words, with how it is known: "left 55.1 Wh and right 57.0 Wh by the measured curve"."""
    energy_wh = use.energy_wh(interval_s)
    parts = []
    for by in (BY_SENSOR, BY_CURVE):
        of = [n for n in range(len(names)) if use.by[n] == by and np.isfinite(use.current_a[:, n]).any()]
        if of:
            parts.append(" and ".join([f"{names[n]} {energy_wh[n]:.1f} Wh" for n in of]) + f" {by}")
    return ", ".join(parts) if parts else NO_ENERGY


def driven_words(use: Use, first: int, last: int, interval_s: Floats) -> str:
    """What a stretch of driving took, as the end of a sentence: "; 1.4 km, up to 38 km/h; 112 Wh by ..."."""
    part = slice(first, last + 1)
    text = ""
    if np.isfinite(use.speed_km_h[part]).any():
        km = float(np.nansum(use.speed_km_h[part] * interval_s[part]) / 3600)
        text += f"; {km:.1f} km, up to {np.nanmax(use.speed_km_h[part]):.0f} km/h"
    current = use.current_a[part]
    known = [n for n in range(current.shape[1]) if np.isfinite(current[:, n]).any()]
    if known:
        energy = np.nansum(current * use.string_v[part] * interval_s[part, None]) / 3600
        by = sorted({use.by[n] for n in known})
        text += f"; {energy:.0f} Wh, up to {np.nanmax(current):.0f} A a side, {' and '.join(by)}"
    return text


def state_words(use: Use, names: list[str], at: int) -> str:
    """How the packs stand at a record: charge, voltage at rest, time left; "" when nothing is known."""
    parts = []
    percents = [
        f"{name} {use.charge_percent[at, n]:.0f} %"
        for n, name in enumerate(names)
        if np.isfinite(use.charge_percent[at, n])
    ]
    if percents:
        parts.append("charge left: " + ", ".join(percents))
    if np.isfinite(use.rest_cell_v[at]):
        parts.append(f"weakest section {use.rest_cell_v[at]:.2f} V a cell at rest")
    if np.isfinite(use.minutes_left[at]):
        parts.append(f"{use.minutes_left[at]:.0f} min left at the use of then")
    return "; ".join(parts)


def _most(values: Floats) -> float | None:
    return round(float(np.nanmax(values)), 1) if np.isfinite(values).any() else None


def _end(values: Floats, which: int, digits: int = 1) -> float | None:
    known = values[np.isfinite(values)]
    return round(float(known[which]), digits) if len(known) else None
