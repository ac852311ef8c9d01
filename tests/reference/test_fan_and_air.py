"""Fan laws, the ideal duct, air density: functions and simulated fan against published figures.

Data, sources and the standing of each:
data/fan_laws.toml, data/ducted_bound.toml, data/standard_atmosphere.csv.
"""

import csv
import math
import sys
from pathlib import Path

import pytest

from barbox.sim.plant import FanSpec, Plant, PlantSpec, SectionSpec, SideSpec, VehicleSpec, air_density_kg_m3
from barbox.sim.plant.fan import (
    disc_area_m2,
    flow_at,
    ideal_ducted_power_w,
    ideal_open_power_w,
    power_at,
    thrust_at,
)

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

DATA = Path(__file__).with_name("data")
LAWS = tomllib.loads((DATA / "fan_laws.toml").read_text("utf-8"))
BOUND = tomllib.loads((DATA / "ducted_bound.toml").read_text("utf-8"))


@pytest.mark.parametrize("sheet", LAWS["example"], ids=lambda sheet: f"{sheet['n1']:g}")
def test_fan_laws_give_the_worked_examples(sheet):
    """Homework sheet 'Fan Laws' with printed answers (rounded there to three or four digits)."""
    n1, n2 = sheet["n1"], sheet["n2"]
    assert flow_at(n2, sheet["flow1"], n1) == pytest.approx(sheet["flow2"], rel=3e-4)
    assert thrust_at(n2, sheet["pressure1"], n1) == pytest.approx(sheet["pressure2"], rel=2e-3)
    assert power_at(n2, sheet["power1"], n1) == pytest.approx(sheet["power2"], rel=3e-3)


def test_simulated_fan_obeys_the_fan_laws():
    """The same laws, read off a fan that runs at one pulse width and then another."""
    side = SideSpec("only", (SectionSpec(10, 10.0),))
    plant = Plant(PlantSpec((side,), VehicleSpec(mass_kg=1e9)))
    seen = []
    for width in (1000, 1500, 1620, 2000):
        plant.advance(4.0, [width])
        seen.append((plant.speed_rpm(0), plant.thrust_n(0), plant.shaft_power_w(0)))
    n1, thrust1, power1 = seen[1]
    assert n1 > 10000
    for n2, thrust2, power2 in seen[2:]:
        assert n2 > 1.1 * n1
        assert thrust_at(n2, thrust1, n1) == pytest.approx(thrust2, rel=1e-6)
        assert power_at(n2, power1, n1) == pytest.approx(power2, rel=1e-6)


def test_ten_percent_of_speed_in_power():
    """Commonly printed: 10 % less speed, 27 % less power; 10 % more, 33 % more."""
    assert power_at(0.9, 1.0, 1.0) == pytest.approx(LAWS["check"]["speed_minus_10_percent_power_factor"])
    assert power_at(1.1, 1.0, 1.0) == pytest.approx(LAWS["check"]["speed_plus_10_percent"]["power"])


def test_open_rotor_of_a_tilt_rotor_in_hover():
    """J. G. Leishman, Principles of Helicopter Aerodynamics, momentum theory (from memory)."""
    case = BOUND["worked_open_leishman"]
    pound_n, foot_m, hp_w = 4.4482216, 0.3048, 745.69987
    density = case["rho_slug_ft3"] * 515.378818
    thrust = case["weight_lb"] * pound_n / case["rotors"]
    area = disc_area_m2(case["diameter_ft"] * foot_m * 1e3)
    assert area / foot_m**2 == pytest.approx(case["disc_area_ft2"], rel=1e-4)
    ideal_hp = ideal_open_power_w(thrust, area, density) / hp_w
    assert ideal_hp == pytest.approx(case["ideal_power_per_rotor_hp"], rel=5e-4)
    actual_hp = ideal_hp / case["figure_of_merit"]
    assert actual_hp == pytest.approx(case["actual_power_per_rotor_hp"], rel=5e-4)


def test_duct_over_open_rotor():
    """The textbook ratios 0.71 (power at equal thrust) and 1.26 (thrust at equal power)."""
    ratios = BOUND["ratios"]
    area = disc_area_m2(120.0)
    open_w, ducted_w = ideal_open_power_w(50.0, area), ideal_ducted_power_w(50.0, area)
    assert ducted_w / open_w == pytest.approx(ratios["p_ducted_over_open_sigma_1"])
    assert (open_w / ducted_w) ** (2 / 3) == pytest.approx(ratios["t_ducted_over_open_sigma_1"])
    half = ideal_ducted_power_w(50.0, area, exit_area_ratio=0.5)
    assert half / open_w == pytest.approx(ratios["p_ducted_over_open_sigma_0_5"])


def test_default_fan_is_a_plausible_one():
    """Between the ideal duct and half of it, as small ducted fans are (common practice, no source)."""
    assert 0.5 < FanSpec().figure_of_merit < 0.8
    area = math.pi * 0.12**2 / 4
    assert FanSpec().ideal_power_w == pytest.approx(65.0**1.5 / math.sqrt(4 * 1.225 * area))


with open(DATA / "standard_atmosphere.csv", encoding="utf-8") as f:
    ATMOSPHERE = list(csv.DictReader(line for line in f if line[0] != "#"))


@pytest.mark.parametrize("row", ATMOSPHERE, ids=lambda row: row["altitude_m"])
def test_density_is_that_of_the_standard_atmosphere(row):
    """ISO 2533:1975, geopotential altitude, to the digits printed."""
    printed = float(row["rho_kg_m3_geopotential"])
    assert air_density_kg_m3(float(row["altitude_m"])) == pytest.approx(printed, rel=6e-6)


def test_density_refuses_what_the_formula_does_not_cover():
    with pytest.raises(ValueError, match="12000 m is outside"):
        air_density_kg_m3(12000.0)
