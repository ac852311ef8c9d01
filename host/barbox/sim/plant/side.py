"""One side: string, leads, ESC and fan, solved together."""

from __future__ import annotations

from math import exp, sqrt

from barbox.sim.plant.air import SEA_LEVEL_DENSITY_KG_M3
from barbox.sim.plant.cell import CellGroup, Section
from barbox.sim.plant.esc import Esc
from barbox.sim.plant.params import SideSpec

# Speed follows the supply this much later: sag and speed are solved one after the other, and on a string
# of very high resistance they would otherwise chase each other.
_VOLTAGE_LAG_S = 0.05


class Side:
    """State of one side. `speed` is of full speed (1.0 at `rated_v`); `current_a` is the mean of the last
    step; `motor_power_w` is what the motor gave the shaft in it, the fan's own power and the rotor's
    acceleration together."""

    __slots__ = (
        "_command_v", "_decay", "_dt", "_exit_m_s", "_fan_w", "_follow", "_groups", "_ohm", "_per_efficiency",
        "_per_rated_v", "_rotor_j", "_source_v", "_spool_s", "_standby_w", "_thrust_n", "current_a", "esc",
        "esc_voltage_v", "fan_dead", "motor_power_w", "neg_ohm", "pos_ohm", "sections", "spec", "speed",
        "string_open", "thrust_n",
    )  # fmt: skip

    def __init__(self, spec: SideSpec, air_density: float, groups: list[CellGroup]):
        fan = spec.fan
        density_ratio = air_density / SEA_LEVEL_DENSITY_KG_M3
        self.spec = spec
        self._fan_w = fan.full_power_w * density_ratio
        self._thrust_n = fan.full_thrust_n * density_ratio
        self._exit_m_s = fan.full_exit_speed_m_s
        self._rotor_j = fan.full_rotor_j
        self._spool_s = fan.spool_s
        self._per_rated_v = 1.0 / fan.rated_v
        self._per_efficiency = 1.0 / fan.efficiency
        self._standby_w = spec.esc.standby_w
        self._dt = self._decay = self._follow = 0.0
        self.pos_ohm, self.neg_ohm = spec.lead_pos_mohm * 1e-3, spec.lead_neg_mohm * 1e-3
        self.sections = [Section(g) for g in groups]
        self.esc = Esc(spec.esc)
        self.speed = self.thrust_n = self.current_a = self.motor_power_w = 0.0
        self.string_open = self.fan_dead = False
        self.settle()
        self._command_v = self.esc_voltage_v

    def settle(self) -> None:
        """Recompute what follows from the state, after a fault changed it."""
        if self.string_open:
            self.current_a = 0.0
        current = self.current_a
        self._groups = [g for section in self.sections for g in section.groups]
        for group in self._groups:
            group.settle(current)
        self._source_v = sum(g.source_v for g in self._groups)
        self._ohm = self.pos_ohm + self.neg_ohm + sum(g.series_ohm for g in self._groups)
        self.esc_voltage_v = 0.0 if self.string_open else self._source_v - current * self._ohm

    def step(self, dt: float, pulse_us: int | None, airspeed_m_s: float) -> float:
        """Advance by `dt` seconds; returns the thrust at the end."""
        duty = self.esc.step(dt, pulse_us, self.esc_voltage_v)
        if dt != self._dt:
            self._dt = dt
            self._decay = exp(-dt / self._spool_s)
            self._follow = 1.0 - exp(-dt / _VOLTAGE_LAG_S)
        self._command_v = v = self._command_v + (self.esc_voltage_v - self._command_v) * self._follow
        n = self.speed
        fan_w = self._fan_w
        rotor_j = self._rotor_j
        # A fan without power runs down on its own drag: J w dw/dt = -P(w), so 1/w grows evenly.
        new = coast = n / (1.0 + 0.5 * n * dt * fan_w / rotor_j)
        current = motor_w = 0.0
        if not self.string_open:
            if duty and not self.fan_dead:
                target = duty * v * self._per_rated_v
                new = target + (n - target) * self._decay
            if new > coast:
                # Mean of the cube along a straight line from n to new, and the rotor's share.
                sum_n = n + new
                motor_w = sum_n * (0.25 * fan_w * (n * n + new * new) + rotor_j * (new - n) / dt)
            else:
                new = coast
            e, r = self._source_v, self._ohm
            power = motor_w * self._per_efficiency + self._standby_w
            room = e * e - 4.0 * r * power
            if e <= 0.0:
                new, motor_w = coast, 0.0
            elif room >= 0.0:
                # The smaller root of r I^2 - e I + P = 0, in the form that stands r = 0.
                current = 2.0 * power / (e + sqrt(room))
            else:
                current = 0.5 * e / r
                motor_w = max(0.0, (0.5 * e * current - self._standby_w) / self._per_efficiency)
                energy = rotor_j * n * n + (motor_w - fan_w * n * n * n) * dt
                new = max(coast, min(new, sqrt(energy / rotor_j))) if energy > 0.0 else coast
        self.speed = new
        self.motor_power_w = motor_w
        self.current_a = current
        source_v = 0.0
        ohm = self.pos_ohm + self.neg_ohm
        for group in self._groups:
            group.step(current, dt)
            source_v += group.source_v
            ohm += group.series_ohm
        self._source_v = source_v
        self._ohm = ohm
        self.esc_voltage_v = 0.0 if self.string_open else source_v - current * ohm
        # The jet keeps its exit speed as the road speed grows: T = m' (w - v), with w and m' as n.
        if airspeed_m_s > 0.0:
            thrust = self._thrust_n * new * (new - airspeed_m_s / self._exit_m_s)
            thrust = max(thrust, 0.0)
        else:
            thrust = self._thrust_n * new * new
        self.thrust_n = thrust
        return thrust

    @property
    def fan_power_w(self) -> float:
        """Shaft power that the fan takes at its present speed."""
        return self._fan_w * self.speed**3
