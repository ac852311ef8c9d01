"""Fan laws, and the thrust that a given power can give at best."""

from math import pi, sqrt

from barbox.sim.plant.air import SEA_LEVEL_DENSITY_KG_M3


def flow_at(speed: float, flow: float, at_speed: float) -> float:
    """Fan law: flow goes with speed. Any units; `at_speed` must not be 0."""
    return flow * (speed / at_speed)


def thrust_at(speed: float, thrust: float, at_speed: float) -> float:
    """Fan law: pressure, and so static thrust, goes with the square of speed."""
    ratio = speed / at_speed
    return thrust * ratio * ratio


def power_at(speed: float, power: float, at_speed: float) -> float:
    """Fan law: shaft power goes with the cube of speed."""
    ratio = speed / at_speed
    return power * ratio * ratio * ratio


def disc_area_m2(diameter_mm: float) -> float:
    """Area of the whole disc, hub included, which makes the bounds below the more lenient ones."""
    return pi * (diameter_mm * 1e-3) ** 2 / 4.0


def ideal_ducted_power_w(
    thrust_n: float,
    area_m2: float,
    density_kg_m3: float = SEA_LEVEL_DENSITY_KG_M3,
    exit_area_ratio: float = 1.0,
) -> float:
    """Least shaft power for a static thrust from a duct: T^1.5 / sqrt(4 rho A sigma).

    `exit_area_ratio` (sigma) is exit area over disc area; 0.5 gives the open rotor of momentum theory
    (Rankine, Froude). From T = rho sigma A w^2 and P = T w / 2 with exit speed w.
    """
    return thrust_n**1.5 / sqrt(4.0 * density_kg_m3 * area_m2 * exit_area_ratio)


def ideal_open_power_w(
    thrust_n: float, area_m2: float, density_kg_m3: float = SEA_LEVEL_DENSITY_KG_M3
) -> float:
    """Least shaft power for a static thrust from an open disc: T^1.5 / sqrt(2 rho A)."""
    return ideal_ducted_power_w(thrust_n, area_m2, density_kg_m3, 0.5)


def exit_speed_m_s(
    thrust_n: float,
    area_m2: float,
    density_kg_m3: float = SEA_LEVEL_DENSITY_KG_M3,
    exit_area_ratio: float = 1.0,
) -> float:
    """Speed of the jet that gives a static thrust: sqrt(T / (rho sigma A))."""
    return sqrt(thrust_n / (density_kg_m3 * area_m2 * exit_area_ratio))
