"""The series of steps, and what it will ask of the packs: current, energy, time. Before the first pulse."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from barbox.bench.learn import ASSUMED_EFFICIENCY
from barbox.bench.readings import Expected
from barbox.errors import UserError
from barbox.rig import Rig
from barbox.rig.to_plant import NOMINAL_CELL_V

SPANS_PM = (150, 250, 350, 450, 550, 650, 750, 850, 930, 1000)
"""Pulse span of the steps. Where the curve is steepest, near full, they lie closer."""

SETTLE_S, MEASURE_S, LEAST_MEASURE_S = 3.0, 3.0, 1.0
"""A fan of this size has spooled up and a string has taken its fast sag within three seconds (common practice)."""

TYPING_S = 15.0
"""What a person takes to write a step down (common practice, no source)."""

_G_M_S2 = 9.80665
_WORTH_SAYING = 0.02
_MEAN_CURRENT = 0.2
"""Rest until the mean current is this share of the step of full thrust: motors and packs cool (common practice)."""


@dataclass(frozen=True)
class Step:
    """One step of the plan. Expected: square law for thrust, cube law for power, from the sheet's full values."""

    number: int
    side: int
    span_pm: int
    pulse_us: int
    expected_n: float
    expected_a: float
    expected_w: float
    hold_s: float
    rest_s: float

    @property
    def full_n(self) -> float:
        """Thrust that the sheet has at full pulse."""
        return self.expected_n / (self.span_pm / 1000.0) ** 2

    @property
    def expected(self) -> Expected:
        """What to check the first reading against."""
        return Expected(self.expected_n, self.expected_a, self.span_pm / 1000.0)


@dataclass(frozen=True)
class Plan:
    """All steps; energy and share of the string's charge by side; what to mind, in sentences."""

    steps: tuple[Step, ...]
    energy_wh: tuple[float, ...]
    charge_share: tuple[float, ...]
    minutes: float
    cautions: tuple[str, ...]


def make(
    rig: Rig,
    *,
    spans_pm: Sequence[int] = SPANS_PM,
    cap_pm: int | None = None,
    longest_s: float | None = None,
    rest_s: float | None = None,
    typing_s: float = TYPING_S,
) -> Plan:
    """The plan of a rig: each pulse span up to `cap_pm`, rising, the sides in turn so that their packs stay alike.

    `cap_pm`, `longest_s` and `rest_s` are the box's own limits, the sheet's where left out; `typing_s` is what a person
    takes to write a step down. A step lasts for its ramp, for settling and for measuring. Raises UserError when nothing
    is left below the cap, or a step would be shorter than it takes to settle.
    """
    cap_pm = rig.plain["bench_cap_pm"] if cap_pm is None else cap_pm
    longest_s = rig.plain["bench_step_ms"] / 1000.0 if longest_s is None else longest_s
    rest_s = rig.plain["bench_rest_ms"] / 1000.0 if rest_s is None else rest_s
    ramp_s = rig.plain["ramp_up_ms"] / 1000.0
    kept = sorted({s for s in spans_pm if 0 < s <= cap_pm})
    if cap_pm < 1000 and kept and kept[-1] < cap_pm:
        kept.append(cap_pm)
    if not kept:
        raise UserError(
            f"no step lies below the cap of {cap_pm / 10:g} %: name lower steps or raise limits.bench_cap_percent"
        )
    most_s = ramp_s * kept[-1] / 1000.0 + SETTLE_S + LEAST_MEASURE_S
    if longest_s < most_s:
        raise UserError(
            f"the box allows steps of {longest_s:g} s, and the ramp, settling and a look at the scale take "
            f"{most_s:.1f} s: raise limits.bench_step_s or shorten limits.ramp_up_s"
        )
    steps: list[Step] = []
    for span_pm in kept:
        for n, side in enumerate(rig.sides):
            span = span_pm / 1000.0
            volts = NOMINAL_CELL_V * side.cells
            full_w = side.fan.full_power_w / (side.fan.efficiency or ASSUMED_EFFICIENCY)
            watts = full_w * span**3
            pulse = side.esc.idle_us + (side.esc.full_us - side.esc.idle_us) * span_pm // 1000
            hold_s = min(ramp_s * span + SETTLE_S + MEASURE_S, longest_s)
            rest = max(rest_s, hold_s * (span**3 / _MEAN_CURRENT - 1.0))
            pull_n = side.fan.full_thrust_n * span**2
            steps.append(Step(len(steps), n, span_pm, pulse, pull_n, watts / volts, watts, hold_s, rest))
    return of(rig, steps, typing_s)


def of(rig: Rig, steps: Sequence[Step], typing_s: float = TYPING_S) -> Plan:
    """What these steps ask of the packs and of whoever runs them; they may be what is left of a plan, or none."""
    sides = range(len(rig.sides))
    joules = [sum([s.expected_w * s.hold_s for s in steps if s.side == n]) for n in sides]
    coulombs = [sum([s.expected_a * s.hold_s for s in steps if s.side == n]) for n in sides]
    return Plan(
        steps=tuple(steps),
        energy_wh=tuple([j / 3600.0 for j in joules]),
        charge_share=tuple([coulombs[n] / 3600.0 / rig.sides[n].capacity_ah for n in sides]),
        minutes=sum([s.hold_s + max(s.rest_s, typing_s) for s in steps]) / 60.0,
        cautions=tuple(_cautions(rig, steps)),
    )


def _cautions(rig: Rig, steps: Sequence[Step]) -> list[str]:
    if not steps:
        return []
    said = []
    pull_n = max(s.expected_n for s in steps)
    all_n = sum(side.fan.full_thrust_n for side in rig.sides)
    said.append(
        f"rope, anchor and scale carry {pull_n:.0f} N of one fan; let them hold twice the {all_n:.0f} N of all, "
        "should more than one run"
    )
    mass, crr = rig.vehicle.mass_kg, rig.vehicle.crr
    if mass and crr and (friction_n := mass * crr * _G_M_S2) > _WORTH_SAYING * pull_n:
        said.append(
            f"wheels on the ground can hide up to {friction_n:.0f} N from the scale (rolling resistance; {mass:g} "
            "kg): measure without the rider, on level ground, and rock the vehicle before each reading; or hang it"
        )
    for n, side in enumerate(rig.sides):
        most_a = max((s.expected_a for s in steps if s.side == n), default=0.0)
        if side.esc.rating_a and most_a > side.esc.rating_a:
            said.append(
                f"{side.name}: about {most_a:.0f} A is expected, and the ESC is rated for {side.esc.rating_a:g} A: "
                "stop below it"
            )
        pack_a = min(p.c_rate * p.capacity_ah for p in side.packs)
        if most_a > pack_a:
            said.append(f"{side.name}: about {most_a:.0f} A is expected, and the packs give {pack_a:.0f} A: stop "
                        "below it")
    return said
