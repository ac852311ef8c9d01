"""What the readings say: thrust, current and power against pulse, each side; what a duct could do; what looks wrong."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot

import numpy as np

from barbox.bench.air import Air, ideal_w
from barbox.bench.findings import Finding, look
from barbox.bench.fit import FLATTEST, STEEPEST, Monotone, PowerLaw, power_law
from barbox.bench.readings import Instruments, Reading, string_v
from barbox.bench.sections import SectionFigures, figures
from barbox.errors import UserError
from barbox.rig import Rig

ASSUMED_EFFICIENCY = 0.90
"""Shaft power over electrical power where the sheet does not say (motor and ESC; common practice, no source)."""

EFFICIENCY_U = 0.04
"""Relative standard uncertainty of that: motor and ESC together lie between 0.84 and 0.96 (likewise)."""

_LIES_ON_A_LAW = 2.0
"""Points that scatter about the power law by up to this many times their stated uncertainty lie on it."""

MEASURED, BY_POWER, BY_SQUARE = "measured", "by power", "by the square law"

ASSUMPTIONS = {
    MEASURED: "thrust was measured",
    BY_POWER: "no scale: thrust is taken to go with power to the two thirds (fan laws), its full value from the sheet",
    BY_SQUARE: "neither thrust nor power was measured: thrust is taken to go with the square of the pulse span, alike "
               "on all sides, its full value from the sheet",
}


@dataclass(frozen=True)
class Point:
    """One reading as it is fitted: pulse span 0..1, value, standard uncertainty."""

    span: float
    value: float
    u: float


class Sag:
    """String voltage under load over that at rest, against pulse span, through what was measured (scipy PCHIP).

    A fan turns with the voltage it gets, so a power law holds for a steady voltage and sag bends it.
    """

    def __init__(self, spans: Sequence[float], ratios: Sequence[float]) -> None:
        from scipy.interpolate import PchipInterpolator

        at, place = np.unique(np.asarray(spans, float), return_inverse=True)
        mean = np.bincount(place, np.asarray(ratios, float)) / np.bincount(place)
        self._last = at[-1]
        self._curve = PchipInterpolator(np.concatenate([[0.0], at]), np.concatenate([[1.0], mean]))

    def at(self, span):
        """The ratio at a pulse span; beyond the last point, that of the last."""
        return self._curve(np.clip(span, 0.0, self._last))


@dataclass(frozen=True)
class Fitted:
    """One quantity of one side against pulse span.

    `law` holds for a steady voltage; `sag` to the power of `sag_power` (fan laws: 2 for thrust and current, 3 for
    power) makes of it what the string gives, None where voltages are not known. `curve` goes through the readings, sag
    and all. `by_law`: law and sag are used; otherwise the curve. `below`: pulse spans of readings under the
    instrument's resolution, not fitted.
    """

    law: PowerLaw
    curve: Monotone
    by_law: bool
    points: tuple[Point, ...]
    below: tuple[float, ...] = ()
    sag: Sag | None = None
    sag_power: int = 2

    def at(self, span):
        """Value at a pulse span."""
        return self.by_law_at(span) if self.by_law else self.curve.at(span)

    @property
    def last_span(self) -> float:
        """Pulse span of the last reading."""
        return self.points[-1].span

    def drawn_on(self, span):
        """Value at a pulse span; beyond the last reading as much more as by law and sag, not the last for ever."""
        last = self.last_span
        more = self.by_law_at(np.maximum(span, last)) / max(self.by_law_at(last), 1e-9)
        return self.at(np.minimum(span, last)) * np.maximum(more, 1.0)

    def inverse(self, value):
        """The least pulse span, 0..1, that gives a value."""
        grid = np.linspace(self.law.dead, 1.0, 4001)
        values = np.maximum.accumulate(self.at(grid))
        rises = np.concatenate([[True], np.diff(values) > 0])
        return np.interp(value, values[rises], grid[rises])

    def by_law_at(self, span):
        """Value at a pulse span by law and sag, whichever is used."""
        value = self.law.at(span)
        return value if self.sag is None else value * self.sag.at(span) ** self.sag_power

    @property
    def apart(self) -> float:
        """The most by which law and curve differ between the first and the last point."""
        grid = np.linspace(self.points[0].span, self.points[-1].span, 200)
        return float(np.max(np.abs(self.by_law_at(grid) - self.curve.at(grid))))


@dataclass(frozen=True)
class Merit:
    """Ideal over shaft power at one step; shaft power by the sheet's efficiency or the assumed one.

    `u`: standard uncertainty, of instruments, air and an assumed efficiency together; `u_read`: of the instruments
    alone, by which findings are judged: they are not to fall silent where nobody has stated the air.
    """

    span: float
    merit: float
    u: float
    u_read: float


@dataclass(frozen=True)
class SideLearned:
    """What is known of one side. `to_span`: the highest pulse span with a thrust, or with what it is taken from;
    nothing is claimed above it, whatever pulses were tried."""

    side: int
    name: str
    how: str
    to_span: float
    thrust: Fitted
    current: Fitted | None
    power: Fitted | None
    merits: tuple[Merit, ...]
    sections: tuple[SectionFigures, ...]


@dataclass(frozen=True)
class Learned:
    """The whole. Values are carried to strings that rest at `reference_cell_v` a cell, by the fan laws; None: they are
    not, since the voltages are not known."""

    sides: tuple[SideLearned, ...]
    findings: tuple[Finding, ...]
    reference_cell_v: float | None
    efficiency: tuple[float, ...]
    air: Air
    instruments: Instruments

    @property
    def assumed(self) -> str:
        """What thrust rests on where it was not measured, "" where it was; alike on all sides."""
        how = self.sides[0].how
        return "" if how == MEASURED else ASSUMPTIONS[how]

    def mismatch_n(self) -> float:
        """Thrust of the first side less that of the last, at the highest pulse span up to which both are known."""
        span = min(s.to_span for s in self.sides)
        return float(self.sides[0].thrust.at(span) - self.sides[-1].thrust.at(span))


def turning_moment_nm(mismatch_n: float, spacing_mm: float) -> float:
    """Moment about the middle of two fans `spacing_mm` apart whose thrusts differ: T1 s/2 - T2 s/2."""
    return mismatch_n * spacing_mm * 1e-3 / 2.0


def span_of(rig: Rig, side: int, pulse_us: int) -> float:
    """Share of the pulse span, 0 at idle, 1 at full."""
    esc = rig.sides[side].esc
    return (pulse_us - esc.idle_us) / (esc.full_us - esc.idle_us)


def learn(rig: Rig, readings: Sequence[Reading], instruments: Instruments, air: Air) -> Learned:
    """Fit everything. Raises UserError, in one sentence, for a side without a usable reading: thrust is assumed only
    where there is no scale, and on all sides alike."""
    cell_v = _reference(rig, readings)
    instruments = instruments.resolved(readings)
    efficiency = tuple([s.fan.efficiency or ASSUMED_EFFICIENCY for s in rig.sides])
    seen = []
    for n in range(len(rig.sides)):
        mine = [r for r in readings if r.side == n and span_of(rig, n, r.pulse_us) > 0]
        if not mine:
            raise UserError(f"{rig.sides[n].name}: no step of this side has been measured; run its steps first")
        reference_v = None if cell_v is None else cell_v * rig.sides[n].cells
        seen.append(_seen(rig, n, mine, reference_v, instruments, air, efficiency[n]))
    how = _how(rig, seen, instruments)
    sides = [_side(rig, s, how) for s in seen]
    found = look(rig, sides, efficiency)
    return Learned(tuple(sides), tuple(found), cell_v, efficiency, air, instruments)


def _reference(rig: Rig, readings: Sequence[Reading]) -> float | None:
    """The mean voltage of a cell at rest, one for every side, so that a pack that is fuller counts for nothing."""
    cells = [(v / rig.sides[r.side].cells) for r in readings if (v := string_v(r.rest_v)) is not None]
    return float(np.mean(cells)) if cells else None


def _carried(r: Reading, reference_v: float | None) -> Reading:
    """The reading as it would have been from the reference voltage: speed goes with voltage, thrust with its square,
    power with its cube (fan laws), hence current with the square; sag taken to stay as it is."""
    rest_v, load_v = string_v(r.rest_v), string_v(r.load_v)
    if reference_v is None or rest_v is None or not load_v:
        return r
    square = ((load_v + reference_v - rest_v) / load_v) ** 2
    return replace(
        r,
        thrust_n=None if r.thrust_n is None else r.thrust_n * square,
        current_a=None if r.current_a is None else r.current_a * square,
        rest_v=tuple([None if v is None else v * reference_v / rest_v for v in r.rest_v]),
        load_v=tuple([
            None if v is None or w is None else v + w * (reference_v / rest_v - 1.0)
            for v, w in zip(r.load_v, r.rest_v, strict=False)
        ]),
    )  # fmt: skip


@dataclass(frozen=True)
class _Seen:
    """What is there to fit of one side: readings as they were and carried to one voltage; thrust, current and shaft
    power by rising pulse, and at which spans readings of thrust and current lie below the resolution."""

    side: int
    raw: list[Reading]
    mine: list[Reading]
    pulls: list[Point]
    pulls_below: tuple[float, ...]
    amps: list[Point]
    amps_below: tuple[float, ...]
    power: list[Point]
    merits: tuple[Merit, ...]


def _seen(
    rig: Rig,
    n: int,
    raw: list[Reading],
    reference_v: float | None,
    instruments: Instruments,
    air: Air,
    efficiency: float,
) -> _Seen:
    mine = sorted([_carried(r, reference_v) for r in raw], key=lambda r: r.pulse_us)

    def points(value_of, u_of, resolution: float) -> tuple[list[Point], tuple[float, ...]]:
        found = [(span_of(rig, n, r.pulse_us), v) for r in mine if (v := value_of(r)) is not None]
        seen = [Point(span, v, u_of(v)) for span, v in found if v >= resolution and v > 0]
        return seen, tuple([span for span, v in found if v < resolution or v <= 0])

    pulls = points(lambda r: r.thrust_n, instruments.thrust_u_n, instruments.step_n)
    amps = points(lambda r: r.current_a, instruments.current_u_a, instruments.current_step_a)
    power: list[Point] = []
    merits: list[Merit] = []
    for r in mine:
        volts, current_a = string_v(r.load_v), r.current_a
        if not volts or not current_a or current_a < instruments.current_step_a:
            continue
        span, shaft_w = span_of(rig, n, r.pulse_us), efficiency * volts * current_a
        power.append(Point(span, shaft_w, shaft_w * instruments.current_u_a(current_a) / current_a))
        if r.thrust_n and r.thrust_n >= instruments.step_n:
            share = ideal_w(r.thrust_n, rig.sides[n].fan.diameter_mm, air) / shaft_w
            read_u = _relative_u(instruments, r.thrust_n, current_a)
            efficiency_u = 0.0 if rig.sides[n].fan.efficiency else EFFICIENCY_U
            u = hypot(read_u, air.density_u / 2, efficiency_u)
            merits.append(Merit(span, share, share * u, share * read_u))
    return _Seen(n, raw, mine, *pulls, *amps, power, tuple(merits))


def _how(rig: Rig, seen: Sequence[_Seen], instruments: Instruments) -> str:
    """One way for all sides: a thrust that was measured and one that was assumed make no match. Raises UserError."""

    def nothing(has: Sequence[list[Point]]) -> str:
        return " and ".join([rig.sides[s.side].name for s, points in zip(seen, has, strict=True) if not points])

    pulls = [s.pulls for s in seen]
    if all(pulls):
        return MEASURED
    if instruments.scale:
        raise UserError(f"{nothing(pulls)}: no reading of the scale reaches its resolution, and thrust is not assumed "
                        "while there is a scale: look at the scale and its unit and measure again (--fresh), or say "
                        "--no-scale")
    if any(pulls):
        raise UserError(f"{nothing(pulls)}: thrust was measured on the other side only, and an assumed one is no match "
                        "for it: begin anew with --fresh, with a scale or with --no-scale")
    amps = [s.amps for s in seen]
    if instruments.clamp and not all(amps):
        raise UserError(f"{nothing(amps)}: no reading of the clamp meter reaches its resolution: look at the meter and "
                        "measure again (--fresh), or say --no-clamp")
    return BY_POWER if all([s.power for s in seen]) else BY_SQUARE


def _side(rig: Rig, seen: _Seen, how: str) -> SideLearned:
    n, side = seen.side, rig.sides[seen.side]
    pulls = seen.pulls
    if how == BY_POWER:
        full_n, full_w = side.fan.full_thrust_n, side.fan.full_power_w
        pulls = [
            Point(p.span, t := full_n * (p.value / full_w) ** (2 / 3), t * 2 / 3 * p.u / p.value)
            for p in seen.power
        ]
    sag = _sag(rig, n, seen.mine)
    if how == BY_SQUARE:
        to_span = span_of(rig, n, seen.mine[-1].pulse_us)
        thrust = _square(side.fan.full_thrust_n, to_span)
    else:
        to_span = pulls[-1].span
        thrust = fitted(pulls, seen.pulls_below, None, sag)
    dead = thrust.law.dead if how == MEASURED else None
    return SideLearned(
        side=n,
        name=side.name,
        how=how,
        to_span=to_span,
        thrust=thrust,
        current=fitted(seen.amps, seen.amps_below, dead, sag) if seen.amps else None,
        power=fitted(seen.power, seen.amps_below, dead, sag, 3) if seen.power else None,
        merits=seen.merits,
        sections=tuple(figures(seen.raw, n, side.section_cells)),
    )


def _sag(rig: Rig, n: int, mine: Sequence[Reading]) -> Sag | None:
    known = [
        (span_of(rig, n, r.pulse_us), load_v / rest_v)
        for r in mine
        if (rest_v := string_v(r.rest_v)) and (load_v := string_v(r.load_v))
    ]
    return Sag(*zip(*known, strict=True)) if known else None


def _relative_u(instruments: Instruments, thrust_n: float, current_a: float) -> float:
    """Relative standard uncertainty of T^1.5 / I."""
    thrust = hypot(instruments.thrust_u_n(thrust_n) / thrust_n, instruments.thrust_error_percent / 200.0)
    current = hypot(instruments.current_u_a(current_a) / current_a, instruments.current_error_percent / 200.0)
    return hypot(1.5 * thrust, current)


def fitted(
    points: Sequence[Point],
    below: tuple[float, ...] = (),
    dead: float | None = None,
    sag: Sag | None = None,
    sag_power: int = 2,
) -> Fitted:
    """Law and curve of a quantity; the law is used where the points lie on it.

    `dead`: the dead band, where it is known already. Two points or one make the square law do.
    """
    points = sorted(points, key=lambda p: p.span)
    x, y, u = (np.array([getattr(p, k) for p in points]) for k in ("span", "value", "u"))
    steady = 1.0 if sag is None else sag.at(x) ** -sag_power
    if dead is not None and dead >= x.min():
        dead = 0.0
    few = len(points) < 3
    law = power_law(x, y * steady, u * steady, dead=dead or 0.0 if few else dead, exponent=2.0 if few else None)
    if not FLATTEST <= law.exponent <= STEEPEST:
        nearest = min(max(law.exponent, FLATTEST), STEEPEST)
        law = power_law(x, y * steady, u * steady, dead=law.dead, exponent=nearest)
    by_law = few or law.misfit <= _LIES_ON_A_LAW
    return Fitted(law, Monotone(x, y, u, law), by_law, tuple(points), below, sag, sag_power)


def _square(full_n: float, to_span: float) -> Fitted:
    law = PowerLaw(full_n, 2.0)
    x = np.linspace(0.1, 1.0, 10) * to_span
    points = tuple([Point(float(s), float(law.at(s)), 0.1 * full_n) for s in x])
    return Fitted(law, Monotone(x, law.at(x), np.ones(10), law), True, points)
