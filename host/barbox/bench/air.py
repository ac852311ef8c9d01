"""The day's air, and what a duct can do in it at best."""

from __future__ import annotations

from dataclasses import dataclass

from barbox.sim.plant.fan import disc_area_m2, ideal_ducted_power_w

_R_J_KG_K = 287.05287
"""Gas constant of dry air (ISO 2533)."""


CARRIED = 0.05
"""Densities this far apart, relative, are carried to one another by the fan laws. In air that is 5 % denser a fan on an
ESC turns a little slower and pulls 1.6 % less than they say, where a fifth of its voltage is lost on the way (own
estimate); farther apart it is another measurement."""


@dataclass(frozen=True)
class Air:
    """Pressure of the place itself, not the one reduced to sea level, in hPa; temperature in degrees Celsius.

    Humidity is left out: at 30 C it makes air lighter by less than 2 %. Raises ValueError outside 500..1,100 hPa
    and -40..60 C.
    """

    pressure_hpa: float = 1013.25
    temperature_c: float = 15.0

    def __post_init__(self) -> None:
        if not 500.0 <= self.pressure_hpa <= 1100.0:
            raise ValueError(f"pressure {self.pressure_hpa:g} hPa is outside 500..1100")
        if not -40.0 <= self.temperature_c <= 60.0:
            raise ValueError(f"temperature {self.temperature_c:g} C is outside -40..60")

    @property
    def density_kg_m3(self) -> float:
        """p / (R T) of dry air (ISO 2533)."""
        return 100.0 * self.pressure_hpa / (_R_J_KG_K * (self.temperature_c + 273.15))

    def __str__(self) -> str:
        return f"{self.pressure_hpa:g} hPa and {self.temperature_c:g} C ({self.density_kg_m3:.3f} kg/m3)"


def ideal_w(thrust_n: float, diameter_mm: float, air: Air) -> float:
    """Least shaft power for a static thrust from a duct whose exit is as wide as its disc: T^1.5 / sqrt(4 rho A)."""
    return ideal_ducted_power_w(thrust_n, disc_area_m2(diameter_mm), air.density_kg_m3)
