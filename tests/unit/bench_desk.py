"""A bench without a box: the plant's fans, a simulated person with a scale and a clamp meter, and the plan's steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from types import SimpleNamespace

import numpy as np

from barbox.bench import plan as plans
from barbox.bench.readings import Expected, Instruments, Reading, Run, read_current, read_thrust
from barbox.bench.sim_person import ClampSpec, ScaleSpec, SimPerson
from barbox.demo.ride import example_rig
from barbox.rig import Rig
from barbox.sim.plant import Plant, PlantSpec, SideSpec
from shared_proto.messages import NOT_KNOWN_MV, SENSES_MAX

IDLE_US = 1000
TIED_KG = 1e9

# Fans that no model in the project takes for granted: (dead band in us, exponent of duty, share of full thrust).
LEFT_FAN = (1080, 0.85, 1.0)
RIGHT_FAN = (1060, 1.2, 0.88)


def rig() -> Rig:
    """The example rig."""
    return example_rig()


def full_plan(rig: Rig, **options) -> plans.Plan:
    """The plan up to full, for a sheet whose cap stays lower."""
    return plans.make(rig, **{"cap_pm": 1000, **options})


def tied_plant(rig: Rig, fans: Sequence[tuple[int, float, float]] = (LEFT_FAN, RIGHT_FAN), seed: int = 1) -> Plant:
    """The rig's plant, tied to the ground, with other fans; its ESCs have seen idle."""
    spec = rig.plant_spec()

    def side(s: SideSpec, fan: tuple[int, float, float]) -> SideSpec:
        starts_us, exponent, share = fan
        weaker = replace(s.fan, full_thrust_n=s.fan.full_thrust_n * share)
        return replace(s, esc=replace(s.esc, starts_us=starts_us, exponent=exponent), fan=weaker)

    sides = tuple([side(s, fan) for s, fan in zip(spec.sides, fans, strict=True)])
    plant = Plant(PlantSpec(sides, replace(spec.vehicle, mass_kg=TIED_KG)), seed)
    plant.advance(3.0, [IDLE_US] * len(sides))
    return plant


class DeskBench:
    """Runs a plan on a plant; voltages are read to a millivolt."""

    def __init__(self, rig: Rig, plant: Plant, person: SimPerson | None = None) -> None:
        self.rig, self.plant = rig, plant
        self.person = person or SimPerson(plant)
        scale, clamp = self.person.scale, self.person.clamp
        self.instruments = Instruments(
            scale=scale is not None,
            clamp=clamp is not None,
            thrust_unit=scale.unit if scale else None,
            thrust_step_n=scale.step_n if scale else 0.1,
            current_step_a=clamp.step_a if clamp else 0.1,
        )

    def sections_v(self, side: int) -> tuple[float, ...]:
        """Voltage of each section, lowest first."""
        points = self.plant.sense_points_v(side)
        below = [self.plant.pack_negative_v(side), *points]
        return tuple([round(top - low, 3) for top, low in zip(points, below, strict=False)])

    def step(self, s: plans.Step) -> Reading:
        """Spool up, settle, measure, type, rest."""
        pulses: list[int | None] = [IDLE_US] * len(self.rig.sides)
        rest_v = self.sections_v(s.side)
        pulses[s.side] = s.pulse_us
        self.plant.advance(plans.SETTLE_S, pulses)
        seen = []
        for _ in range(30):
            self.plant.advance(0.1, pulses)
            seen.append(self.sections_v(s.side))
        thrust = self.person.typed_thrust(s.side)
        current = self.person.typed_current(s.side)
        self.plant.advance(s.rest_s, [IDLE_US] * len(pulses))
        return Reading(
            s.number, s.side, s.pulse_us, rest_v, tuple([float(v) for v in np.mean(seen, axis=0)]),
            read_thrust(thrust, self.instruments, Expected())[0] if thrust else None,
            read_current(current, self.instruments, Expected())[0] if current else None,
            thrust,
        )  # fmt: skip

    def run(self, plan: plans.Plan) -> Run:
        """All steps."""
        run = Run(len(plan.steps))
        for s in plan.steps:
            run.take(self.step(s))
        return run


def steady_thrust(plant: Plant, pulses: Sequence[int], charge: float = 0.8) -> list[float]:
    """True thrust of each side after three seconds of these pulses, from rested packs of this charge."""
    for side in range(len(pulses)):
        plant.set_charge(side, charge)
    plant.advance(3.0, list(pulses))
    thrust = [plant.thrust_n(side) for side in range(len(pulses))]
    plant.advance(2.0, [IDLE_US] * len(pulses))
    return thrust


class DeskSession:
    """A bench run on the plant, as `barbox.bench.run.Bench` wants it. `stops[n]` is raised at the nth step."""

    def __init__(self, rig: Rig, plant: Plant, person: SimPerson, stops: dict[int, Exception] | None = None) -> None:
        self.rig, self.plant, self.person = rig, plant, person
        self.offer = SimpleNamespace(cap_pm=[1000] * len(rig.sides), low_pm=250, step_ms=10_000, rest_ms=5_000)
        self.stops = stops or {}
        self.steps = 0
        self.clock_s = 0.0
        self.while_running = lambda now_s: None  # called ten times a second of a step

    async def sleep(self, seconds: float) -> None:
        """Time passes."""
        for _ in range(int(10 * seconds) + 1):
            self.clock_s += 0.1
            self.while_running(self.clock_s)

    def _mv(self) -> list[int]:
        """Section voltages as a status has them, by sense input."""
        mv = [NOT_KNOWN_MV] * SENSES_MAX
        for n, side in enumerate(self.rig.sides):
            points = self.plant.sense_points_v(n)
            below = [self.plant.pack_negative_v(n), *points]
            for k, point in enumerate(side.sense):
                mv[point.input - 1] = round(1000 * (points[k] - below[k]))
        return mv

    async def step(self, side: int, pulse_pm: int, time_s: float | None = None) -> SimpleNamespace:
        """As of a box: side from 1."""
        self.steps += 1
        if self.steps in self.stops:
            raise self.stops.pop(self.steps)
        before = SimpleNamespace(section_mv=self._mv())
        esc = self.rig.sides[side - 1].esc
        pulses: list[int | None] = [IDLE_US] * len(self.rig.sides)
        pulses[side - 1] = esc.idle_us + (esc.full_us - esc.idle_us) * pulse_pm // 1000
        seen = []
        for n in range(60):
            self.plant.advance(0.1, pulses)
            self.clock_s += 0.1
            self.while_running(self.clock_s)
            if n >= 30:
                seen.append(self._mv())
        self.person.look()
        self.plant.advance(20.0, [IDLE_US] * len(pulses))
        mean = tuple([v / 1000 if v < NOT_KNOWN_MV else None for v in np.mean(seen, axis=0).tolist()])
        means = SimpleNamespace(seconds=3.0, section_v=mean, current_a=(None,) * 4)
        return SimpleNamespace(before=before, means=lambda settle_s: means, ended="let go at the box", ran_ms=6000)


__all__ = [
    "ClampSpec", "DeskBench", "DeskSession", "ScaleSpec", "SimPerson", "full_plan", "rig", "steady_thrust",
    "tied_plant",
]  # fmt: skip
