"""A bench without a box: the plant's fans, a simulated person with a scale and a clamp meter, and the plan's steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from barbox.bench import plan as plans
from barbox.bench.readings import Expected, Instruments, Reading, Run, read_current, read_thrust
from barbox.bench.sim_person import ClampSpec, ScaleSpec, SimPerson
from barbox.demo.ride import example_rig
from barbox.rig import Rig
from barbox.sim.plant import Plant, PlantSpec, SideSpec

IDLE_US = 1000
TIED_KG = 1e9

# Fans that no model in the project takes for granted: (dead band in us, exponent of duty, share of full thrust).
LEFT_FAN = (1080, 0.85, 1.0)
RIGHT_FAN = (1060, 1.2, 0.88)


def rig() -> Rig:
    """The example rig."""
    return example_rig()


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
            read_current(current, self.instruments, Expected()) if current else None,
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


__all__ = ["ClampSpec", "DeskBench", "ScaleSpec", "SimPerson", "rig", "steady_thrust", "tied_plant"]
