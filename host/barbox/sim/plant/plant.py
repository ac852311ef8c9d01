"""The plant: all that the box senses and drives, advanced in time."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, isfinite
from random import Random

from barbox.sim.plant.cell import CellGroup, Section
from barbox.sim.plant.params import PlantSpec, SectionSpec
from barbox.sim.plant.side import Side
from barbox.sim.plant.vehicle import Vehicle

_LONGEST_STEP_S = 0.025
_SUBSTEP_S = 0.02


def _group(spec: SectionSpec, random: Random) -> CellGroup:
    if not spec.spread:
        return CellGroup.from_spec(spec)
    # Three standard deviations bound both factors, so neither can come near 0.
    deviations = [min(max(random.gauss(0.0, 1.0), -3.0), 3.0) * spec.spread for _ in range(2)]
    return CellGroup.from_spec(spec, 1.0 + deviations[0], 1.0 + deviations[1])


class Plant:
    """Packs, leads, ESCs, fans and vehicle of one rig. Deterministic for a spec, a seed and a history.

    Sides and sections are numbered from 0, sections lowest first; a number out of range raises IndexError.
    Box ground is the ground of the ESCs, to which the signal cables join it. Each string's current comes
    back to its pack through the heavy negative, so under load the pack's negative lies below box ground,
    and every sense point with it: the lowest section reads low by that drop.
    """

    def __init__(self, spec: PlantSpec, seed: int = 0):
        random = Random(seed)
        self.spec = spec
        self.t_s = 0.0
        self.vehicle = Vehicle(spec.vehicle, spec.air_density)
        self._sides = [Side(s, spec.air_density, [_group(k, random) for k in s.sections]) for s in spec.sides]

    def advance(self, dt_s: float, pulse_us: Sequence[int | None]) -> None:
        """Let `dt_s` seconds pass, in which the ESC of each side saw pulses of this width (the last one
        counts; None: no pulse). Longer intervals than 0.025 s are cut into equal steps of at most 0.02 s.

        Raises ValueError unless `dt_s` is above 0 and `pulse_us` has one entry a side.
        """
        sides = self._sides
        if len(pulse_us) != len(sides):
            raise ValueError(f"{len(pulse_us)} pulse widths for {len(sides)} sides")
        if not 0.0 < dt_s <= _LONGEST_STEP_S:
            if not (isfinite(dt_s) and dt_s > 0.0):
                raise ValueError(f"time step {dt_s!r} s is not above 0")
            count = ceil(dt_s / _SUBSTEP_S - 1e-9)
            for _ in range(count):
                self.advance(dt_s / count, pulse_us)
            return
        vehicle = self.vehicle
        airspeed = vehicle.speed_m_s + vehicle.headwind_m_s
        thrust = 0.0
        for side, pulse in zip(sides, pulse_us, strict=True):
            thrust += side.step(dt_s, pulse, airspeed)
        vehicle.step(thrust, dt_s)
        self.t_s += dt_s

    # What can be measured

    def sense_points_v(self, side: int) -> list[float]:
        """Voltage at the top of each section, against box ground, lowest first."""
        s = self._sides[side]
        at = -s.current_a * s.neg_ohm
        points = []
        for section in s.sections:
            for group in section.groups:
                at += group.voltage_v
            points.append(at)
        return points

    def pack_negative_v(self, side: int) -> float:
        """The pack's negative terminal against box ground: 0 at rest, below 0 under load."""
        s = self._sides[side]
        return -s.current_a * s.neg_ohm

    def string_voltage_v(self, side: int) -> float:
        """Across the string, at the packs' own terminals."""
        return sum(section.voltage_v for section in self._sides[side].sections)

    def esc_voltage_v(self, side: int) -> float:
        """At the ESC's terminals: the string less both leads; 0 when the string is open."""
        return self._sides[side].esc_voltage_v

    def current_a(self, side: int) -> float:
        """String current, positive out of the pack; mean of the last step."""
        return self._sides[side].current_a

    def thrust_n(self, side: int) -> float:
        """Thrust at the present fan speed and airspeed."""
        return self._sides[side].thrust_n

    def shaft_power_w(self, side: int) -> float:
        """Shaft power that the fan takes at its present speed (cube law)."""
        return self._sides[side].fan_power_w

    def motor_power_w(self, side: int) -> float:
        """Shaft power that the motor gave in the last step: fan and acceleration of the rotor."""
        return self._sides[side].motor_power_w

    def speed_rpm(self, side: int) -> float:
        """Fan speed in revolutions a minute."""
        s = self._sides[side]
        return s.speed * s.spec.fan.full_speed_rpm

    def esc_state(self, side: int) -> str:
        """One of the state names in `barbox.sim.plant.esc`."""
        return self._sides[side].esc.state

    def sections(self, side: int) -> list[Section]:
        """The sections of a side, lowest first."""
        return list(self._sides[side].sections)

    # Faults, at any moment

    def weaken_section(
        self,
        side: int,
        section: int,
        *,
        capacity_factor: float = 1.0,
        resistance_factor: float = 1.0,
        charge: float | None = None,
    ) -> None:
        """Make every cell of a section worse (or better): factors on what it has now, charge 0..1.1."""
        groups = self._sides[side].sections[section].groups
        self._weaken(self._sides[side], groups, capacity_factor, resistance_factor, charge)

    def weaken_cell(
        self,
        side: int,
        section: int,
        *,
        capacity_factor: float = 1.0,
        resistance_factor: float = 1.0,
        charge: float | None = None,
    ) -> None:
        """Make one cell of a section worse; always the same one."""
        target = self._sides[side].sections[section].split()
        self._weaken(self._sides[side], [target], capacity_factor, resistance_factor, charge)

    @staticmethod
    def _weaken(
        side: Side,
        groups: list[CellGroup],
        capacity_factor: float,
        resistance_factor: float,
        charge: float | None,
    ) -> None:
        for what, factor in (("capacity", capacity_factor), ("resistance", resistance_factor)):
            if not (isfinite(factor) and factor > 0.0):
                raise ValueError(f"{what} factor {factor!r} is not above 0")
        if charge is not None and not 0.0 <= charge <= 1.1:
            raise ValueError(f"charge {charge!r} is outside 0..1.1")
        for group in groups:
            group.capacity_ah *= capacity_factor
            group.resistance_scale *= resistance_factor
            if charge is not None:
                group.charge = charge
        side.settle()

    def set_charge(self, side: int, charge: float) -> None:
        """Give every section of a side this charge, 0..1.1, rested."""
        for k, section in enumerate(self._sides[side].sections):
            for group in section.groups:
                group.short_v = group.long_v = 0.0
            self.weaken_section(side, k, charge=charge)

    def swap_packs(self, side: int, other: int) -> None:
        """Exchange the strings of two sides, as they are; both ESCs lose their supply meanwhile."""
        a, b = self._sides[side], self._sides[other]
        a.sections, b.sections = b.sections, a.sections
        for s in (a, b):
            s.current_a = 0.0
            s.esc.restart()
            s.settle()

    def lose_string(self, side: int) -> None:
        """Blow the main fuse or pull the main plug: no current; the sense wires still see the packs."""
        self._sides[side].string_open = True
        self._sides[side].settle()

    def restore_string(self, side: int) -> None:
        """Join the string again; its ESC starts afresh and wants idle."""
        s = self._sides[side]
        s.string_open = False
        s.esc.restart()
        s.settle()

    def restart_esc(self, side: int) -> None:
        """A moment without supply: the ESC stays off until it has seen idle again."""
        self._sides[side].esc.restart()

    def kill_fan(self, side: int) -> None:
        """The motor no longer turns the fan, whatever the ESC does; the fan runs down."""
        self._sides[side].fan_dead = True

    def revive_fan(self, side: int) -> None:
        """Undo `kill_fan`."""
        self._sides[side].fan_dead = False

    def set_lead_resistance(
        self, side: int, *, positive_mohm: float | None = None, negative_mohm: float | None = None
    ) -> None:
        """A corroded plug or a chafed lead. A heavy negative that opens sends the current through the thin
        signal ground: some 100 milliohm as `negative_mohm`."""
        s = self._sides[side]
        for what, mohm in (("positive", positive_mohm), ("negative", negative_mohm)):
            if mohm is not None and not (isfinite(mohm) and mohm >= 0.0):
                raise ValueError(f"{what} lead of {mohm!r} milliohm: it must be 0 or more")
        if positive_mohm is not None:
            s.pos_ohm = positive_mohm * 1e-3
        if negative_mohm is not None:
            s.neg_ohm = negative_mohm * 1e-3
        s.settle()
