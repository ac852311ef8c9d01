"""The table of the box that makes thrust linear in demand and equal on all sides, and how well it does so.

Eleven points, straight between them (`side.curve`). A straight piece under a curve that bends down gives too little
everywhere, so the points are not samples of the inverse: they are chosen for the least largest error.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from barbox.bench.fit import Monotone
from barbox.bench.learn import BY_SQUARE, Learned, SideLearned
from barbox.errors import UserError
from barbox.rig import Rig

POINTS = 11
SAME_PM = 10
"""A pulse span that lies beyond the last clamp reading by no more than this counts as read."""
_FROM_PM = 100  # linear from here on; below, the first piece leads through the dead band
_ROUNDS = 6
_DRAWS = 100
_MOST_DA = 5000


@dataclass(frozen=True)
class SideCurve:
    """For one side: the table in per mille of pulse span, the current at each tenth of demand in 0.1 A (None: not
    measured), and thrust over demand as both make it, by whole per mille.

    `error`: the most by which thrust departs from demand between 10 and 100 %, as a share of full thrust, by the fit;
    `error_u`: what the uncertainty of the readings adds, with 95 % probability; 0 where thrust is assumed.
    `low_error`: as `error`, below 10 %; `starts_pm`: the demand at which the fan begins to push. `read_pm`: the pulse
    span of the last clamp reading; current beyond it is reckoned.
    """

    side: int
    name: str
    curve_pm: tuple[int, ...]
    current_da: tuple[int, ...] | None
    error: float
    error_u: float
    low_error: float
    starts_pm: int
    read_pm: int = 1000


@dataclass(frozen=True)
class Curves:
    """Of all sides. `full_thrust_n`: what each gives at full demand, set by side `set_by`. `apart`: the most by which
    sides differ between 10 and 100 % of demand, as a share of full thrust."""

    sides: tuple[SideCurve, ...]
    full_thrust_n: float
    set_by: int
    apart: float


def pulse_us(curve_pm: Sequence[int], idle_us: int, full_us: int, demand_pm: int) -> int:
    """What the box makes of a demand with this table, in its own whole numbers."""
    us = [idle_us + (full_us - idle_us) * c // 1000 for c in curve_pm]
    i = demand_pm // 100
    return us[i] if i == POINTS - 1 else us[i] + (us[i + 1] - us[i]) * (demand_pm - 100 * i) // 100


def spans(rig: Rig, side: int, curve_pm: Sequence[int]) -> np.ndarray:
    """Pulse span (0..1) at each per mille of demand, 0..1000, rounding of the box included."""
    esc = rig.sides[side].esc
    us = np.array([pulse_us(curve_pm, esc.idle_us, esc.full_us, d) for d in range(1001)])
    return (us - esc.idle_us) / (esc.full_us - esc.idle_us)


def thrust_n(rig: Rig, learned: SideLearned, curve_pm: Sequence[int]) -> np.ndarray:
    """Thrust at each per mille of demand with a table."""
    return learned.thrust.at(spans(rig, learned.side, curve_pm))


def make(rig: Rig, learned: Learned) -> Curves:
    """The tables. The weakest side sets full thrust. No pulse goes beyond the highest at which that side's
    thrust is known.

    Raises UserError when a side gave no thrust at all.
    """
    tops = [float(s.thrust.at(s.to_span)) for s in learned.sides]
    full_n = min(tops)
    set_by = tops.index(full_n)
    if full_n <= 0:
        raise UserError(f"{learned.sides[set_by].name}: no thrust was measured, so there is no curve to make")
    made = []
    for s in learned.sides:
        table = _table(s, full_n)
        made.append(_judged(rig, s, table, full_n))
    given = np.array([thrust_n(rig, s, c.curve_pm) for s, c in zip(learned.sides, made, strict=True)])[:, _FROM_PM:]
    apart = float(np.max(given.max(axis=0) - given.min(axis=0)) / full_n)
    return Curves(tuple(made), full_n, set_by, apart)


def _judged(rig: Rig, s: SideLearned, table: tuple[int, ...], full_n: float) -> SideCurve:
    error = np.abs(thrust_n(rig, s, table) / full_n - np.arange(1001) / 1000.0)
    pushes = np.flatnonzero(spans(rig, s.side, table) > s.thrust.law.dead)
    return SideCurve(
        side=s.side,
        name=s.name,
        curve_pm=table,
        current_da=_current(s, table),
        error=float(error[_FROM_PM:].max()),
        error_u=_uncertainty(rig, s, table, full_n),
        low_error=float(error[:_FROM_PM].max()),
        starts_pm=int(pushes[0]) if len(pushes) else 1000,
        read_pm=round(1000 * s.current.last_span) if s.current else 1000,
    )


def _uncertainty(rig: Rig, s: SideLearned, table: Sequence[int], full_n: float) -> float:
    """By Monte Carlo (as JCGM 101:2008): readings drawn anew with their uncertainties, the monotone curve through each
    set, and the largest departure from the curve in use between 10 and 100 % of demand. The same draws each time."""
    if s.how == BY_SQUARE:
        return 0.0
    draws = np.random.default_rng(1)
    x, y, u = (np.array([getattr(p, k) for p in s.thrust.points]) for k in ("span", "value", "u"))
    at = spans(rig, s.side, table)[_FROM_PM::10]
    middle = s.thrust.curve.at(at)
    worst = []
    for _ in range(_DRAWS):
        drawn = Monotone(x, np.maximum(y + draws.normal(0.0, u), 0.0), u, s.thrust.law)
        worst.append(np.max(np.abs(drawn.at(at) - middle)))
    return float(np.quantile(worst, 0.95) / full_n)


def _table(s: SideLearned, full_n: float) -> tuple[int, ...]:
    """Eleven points with the least largest error from 10 to 100 %, rising from 0, by linear programming (scipy) around
    the last answer; the sampled inverse to begin with."""
    from scipy.optimize import linprog

    tenths = np.arange(POINTS) / 10.0
    y = np.minimum(s.thrust.inverse(tenths * full_n), s.to_span)
    y[0] = 0.0
    demand = np.linspace(0.1, 1.0, 181)
    piece = np.minimum((demand * 10 + 1e-9).astype(int), POINTS - 2)
    share = demand * 10 - piece
    weights = np.zeros((len(demand), POINTS))
    weights[np.arange(len(demand)), piece] = 1.0 - share
    weights[np.arange(len(demand)), piece + 1] += share
    best, least = y.copy(), np.inf
    for _ in range(_ROUNDS):
        at = weights @ y
        error = s.thrust.at(at) / full_n - demand
        if np.abs(error).max() < least:
            best, least = y.copy(), float(np.abs(error).max())
        h = 1e-4
        slope = (s.thrust.at(at + h) - s.thrust.at(at - h)) / (2 * h * full_n)
        # Unknown: the moves of points 1..10 and t, the largest error. -t <= error + slope * (weights @ move) <= t.
        rows = weights[:, 1:] * slope[:, None]
        ones = np.ones((len(demand), 1))
        rising = np.zeros((POINTS - 1, POINTS))
        for k in range(POINTS - 1):
            rising[k, k] = -1.0
            if k:
                rising[k, k - 1] = 1.0
        bounds_up = np.concatenate([-error, error, np.diff(y)])
        found = linprog(
            np.concatenate([np.zeros(POINTS - 1), [1.0]]),
            A_ub=np.vstack([np.hstack([rows, -ones]), np.hstack([-rows, -ones]), rising]),
            b_ub=bounds_up,
            bounds=[(max(-0.05, -v), min(0.05, s.to_span - v)) for v in y[1:]] + [(0.0, None)],
        )
        if not found.success:
            break
        y = y + np.concatenate([[0.0], found.x[:-1]])
    table = np.maximum.accumulate(np.clip(np.round(1000.0 * best), 0, np.floor(1000.0 * s.to_span + 1e-9)))
    return tuple([int(v) for v in table])


def _current(s: SideLearned, table: Sequence[int]) -> tuple[int, ...] | None:
    if s.current is None:
        return None
    amps = np.maximum.accumulate(s.current.drawn_on(np.array(table) / 1000.0))
    return tuple([int(min(round(10.0 * float(a)), _MOST_DA)) for a in amps])
