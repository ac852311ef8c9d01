"""The day's air, and what a duct can do in it at best."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot

from barbox.sim.plant.fan import disc_area_m2, ideal_ducted_power_w

_R_J_KG_K = 287.05287
"""Gas constant of dry air (ISO 2533)."""


CARRIED = 0.05
"""Densities this far apart, relative, are carried to one another by the fan laws. In air that is 5 % denser a fan on an
ESC turns a little slower and pulls 1.6 % less than they say, where a fifth of its voltage is lost on the way (own
estimate); farther apart it is another measurement."""


_STANDARD_HPA, _STANDARD_C = 1013.25, 15.0
"""At sea level (ISO 2533); taken where nobody has said."""

# Relative standard uncertainties of density. Unknown: places up to 1,500 m lie at 850 to 1,030 hPa, days at -5 to 35 C,
# each value as likely as another. Stated: a barometer, a thermometer in the shade, and humidity left out.
_UNKNOWN_PRESSURE, _UNKNOWN_TEMPERATURE, _STATED = 0.05, 0.04, 0.005


@dataclass(frozen=True)
class Air:
    """Pressure of the place itself, not the one reduced to sea level, in hPa; temperature in degrees Celsius; None:
    nobody has said, so the standard's at sea level.

    Humidity is left out: at 30 C it makes air lighter by less than 2 %. Raises ValueError outside 500..1,100 hPa
    and -40..60 C.
    """

    pressure_hpa: float | None = None
    temperature_c: float | None = None

    def __post_init__(self) -> None:
        if not 500.0 <= self.at_hpa <= 1100.0:
            raise ValueError(f"pressure {self.at_hpa:g} hPa is outside 500..1100")
        if not -40.0 <= self.at_c <= 60.0:
            raise ValueError(f"temperature {self.at_c:g} C is outside -40..60")

    @property
    def at_hpa(self) -> float:
        """Pressure, stated or taken."""
        return _STANDARD_HPA if self.pressure_hpa is None else self.pressure_hpa

    @property
    def at_c(self) -> float:
        """Temperature, stated or taken."""
        return _STANDARD_C if self.temperature_c is None else self.temperature_c

    @property
    def density_kg_m3(self) -> float:
        """p / (R T) of dry air (ISO 2533)."""
        return 100.0 * self.at_hpa / (_R_J_KG_K * (self.at_c + 273.15))

    @property
    def density_u(self) -> float:
        """Relative standard uncertainty of the density."""
        pressure = _UNKNOWN_PRESSURE if self.pressure_hpa is None else 0.0
        temperature = _UNKNOWN_TEMPERATURE if self.temperature_c is None else 0.0
        return hypot(pressure, temperature, _STATED)

    def __str__(self) -> str:
        return f"{self.at_hpa:g} hPa and {self.at_c:g} C ({self.density_kg_m3:.3f} kg/m3)"


def ideal_w(thrust_n: float, diameter_mm: float, air: Air) -> float:
    """Least shaft power for a static thrust from a duct whose exit is as wide as its disc: T^1.5 / sqrt(4 rho A)."""
    return ideal_ducted_power_w(thrust_n, disc_area_m2(diameter_mm), air.density_kg_m3)
