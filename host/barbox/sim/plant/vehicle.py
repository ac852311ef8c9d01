"""Road load and the motion of the vehicle."""

from __future__ import annotations

from math import atan, cos, sin

from barbox.sim.plant.air import SEA_LEVEL_DENSITY_KG_M3
from barbox.sim.plant.params import VehicleSpec

STANDARD_GRAVITY_M_S2 = 9.80665


def air_drag_n(airspeed_m_s: float, cda_m2: float, density_kg_m3: float = SEA_LEVEL_DENSITY_KG_M3) -> float:
    """Air drag, signed against the airspeed: rho CdA va |va| / 2."""
    return 0.5 * density_kg_m3 * cda_m2 * airspeed_m_s * abs(airspeed_m_s)


def rolling_drag_n(
    mass_kg: float, crr: float, gradient: float = 0.0, g_m_s2: float = STANDARD_GRAVITY_M_S2
) -> float:
    """Rolling resistance: Crr m g cos(slope); `gradient` is rise over run."""
    return crr * mass_kg * g_m_s2 * cos(atan(gradient))


def slope_drag_n(mass_kg: float, gradient: float, g_m_s2: float = STANDARD_GRAVITY_M_S2) -> float:
    """What a slope takes, positive uphill: m g sin(slope)."""
    return mass_kg * g_m_s2 * sin(atan(gradient))


class Vehicle:
    """Moves forward only: it stands where the drag would push it back.

    `position_m` is on the closed loop, 0..loop_m; `distance_m` is the whole way. Settable at any time:
    `gradient` (rise over run), `brake_n`, `headwind_m_s`.
    """

    __slots__ = (
        "_brake_n", "_crr_n", "_drag", "_gradient", "_mass_kg", "_slope_n", "_spec", "distance_m",
        "headwind_m_s", "position_m", "speed_m_s",
    )  # fmt: skip

    def __init__(self, spec: VehicleSpec, air_density: float = SEA_LEVEL_DENSITY_KG_M3):
        self._spec = spec
        self._mass_kg = spec.mass_kg
        self._drag = air_drag_n(1.0, spec.cda_m2, air_density)
        self.speed_m_s = self.position_m = self.distance_m = 0.0
        self.headwind_m_s = 0.0
        self.brake_n = 0.0
        self.gradient = 0.0

    @property
    def gradient(self) -> float:
        return self._gradient

    @gradient.setter
    def gradient(self, value: float) -> None:
        if not -0.5 <= value <= 0.5:
            raise ValueError(f"gradient {value!r} is outside -0.5..0.5")
        self._gradient = value
        self._crr_n = rolling_drag_n(self._mass_kg, self._spec.crr, value)
        self._slope_n = slope_drag_n(self._mass_kg, value)

    @property
    def brake_n(self) -> float:
        return self._brake_n

    @brake_n.setter
    def brake_n(self, value: float) -> None:
        if not value >= 0.0:
            raise ValueError(f"brake force {value!r} N is below 0")
        self._brake_n = value

    @property
    def laps(self) -> int:
        """Whole loops done."""
        return int(self.distance_m / self._spec.loop_m)

    def step(self, thrust_n: float, dt_s: float) -> None:
        """Move for `dt_s` under a constant thrust."""
        v = self.speed_m_s
        va = v + self.headwind_m_s
        force = thrust_n - self._drag * va * abs(va) - self._slope_n - self._crr_n - self._brake_n
        new = max(v + force * dt_s / self._mass_kg, 0.0)
        self.speed_m_s = new
        way = 0.5 * (v + new) * dt_s
        self.distance_m += way
        at = self.position_m + way
        loop = self._spec.loop_m
        self.position_m = at % loop if at >= loop else at
