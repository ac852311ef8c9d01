"""Road load against the worked example of Martin, Milliken, Cobb, McFadden, Coggan, "Validation of a
mathematical model for road cycling power", J. Applied Biomechanics 14(3), 276-291, 1998.

The data file says which inputs were seen and which are from memory.
"""

import math
import sys
from pathlib import Path

import pytest

from barbox.sim.plant import VehicleSpec
from barbox.sim.plant.vehicle import Vehicle, air_drag_n, rolling_drag_n, slope_drag_n

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

CASE = tomllib.loads(Path(__file__).with_name("data").joinpath("road_load.toml").read_text("utf-8"))[
    "martin_1998"
]
PARTS = CASE["parts_computed_W"]
MASS, SPEED, GRADIENT, G = CASE["mass_total_kg"], CASE["speed_m_s"], CASE["gradient"], CASE["g"]
HEADWIND = CASE["wind_m_s"] * math.cos(math.radians(30.0))
CDA = CASE["CdA_m2"] + CASE["Fw_m2"]


def parts_w() -> tuple[float, float, float]:
    return (
        SPEED * air_drag_n(SPEED + HEADWIND, CDA, CASE["air_density"]),
        SPEED * rolling_drag_n(MASS, CASE["Crr"], GRADIENT, G),
        SPEED * slope_drag_n(MASS, GRADIENT, G),
    )


def test_each_part_of_the_road_load():
    air, rolling, slope = parts_w()
    assert air == pytest.approx(PARTS["aero"], abs=0.02)
    assert rolling == pytest.approx(PARTS["rolling"], abs=0.01)
    assert slope == pytest.approx(PARTS["grade"], abs=0.01)


def test_power_of_the_worked_example():
    """Bearings, wheel inertia and chain are not in the plant: taken from the example itself."""
    bearings = eval(CASE["bearing_W"], {"v": SPEED})
    start, end = CASE["speed_start_end_m_s"]
    inertia = MASS + CASE["wheel_inertia_kg_m2"] / CASE["wheel_radius_m"] ** 2
    kinetic = 0.5 * inertia * (end**2 - start**2) / CASE["duration_s"]
    power = (sum(parts_w()) + bearings + kinetic) / CASE["chain_efficiency"]
    assert round(power) == CASE["power_W"]


def test_vehicle_holds_that_speed_under_that_force():
    vehicle = Vehicle(VehicleSpec(MASS, CASE["Crr"], CDA), CASE["air_density"])
    vehicle.gradient = GRADIENT
    vehicle.headwind_m_s = HEADWIND
    vehicle.speed_m_s = SPEED
    thrust = sum(parts_w()) / SPEED
    for _ in range(3000):
        vehicle.step(thrust, 0.02)
    # The example rounds g to 9.81.
    assert vehicle.speed_m_s == pytest.approx(SPEED, rel=5e-4)
    for _ in range(3000):
        vehicle.step(1.1 * thrust, 0.02)
    assert vehicle.speed_m_s > 1.02 * SPEED
