"""The estimators on the plant of the simulated board: two sections of five cells, a ride until they are low."""

from random import Random

import pytest

from barbox.sim.plant import Plant, PlantSpec, SectionSpec, SideSpec
from shared_proto.settings import Values
from tests.unit.estimator_rides import UNKNOWN, Feed, ride, rig, sensed_mv

CAPACITY_AH = 10.0
WARN_MV = Values().get("cell_warn_mv")


def plant(charge: float = 1.0) -> Plant:
    sections = tuple(SectionSpec(5, CAPACITY_AH, charge) for _ in range(2))
    return Plant(PlantSpec(sides=(SideSpec("left", sections),)))


def measured_curve() -> tuple[int, ...]:
    """Current at each tenth, as a bench with packs in mid-charge would find it."""
    probe = plant(0.6)
    amperes = [0.0]
    probe.advance(2.0, [1000])
    for tenth in range(1, 11):
        probe.advance(3.0, [1000 + 100 * tenth])
        amperes.append(probe.current_a(0))
    return tuple(round(10 * a) for a in amperes)


class Run:
    """A ride on the plant, linear pulses; `step` is one tick."""

    def __init__(self, mode: str, seed: int, charge: float = 1.0, current_da: tuple[int, ...] = (0,) * 11):
        values = rig(sides=1, capacity_mah=0 if mode == "nothing" else int(1000 * CAPACITY_AH))
        values.put("side.curve", tuple(range(0, 1001, 100)), 0)
        values.put("side.current_da", current_da, 0)
        self.mode = mode
        self.plant = plant(charge)
        self.plant.advance(2.0, [1000])
        self.random = Random(seed)
        self.feed = Feed(values)

    def step(self, demand_pm: int):
        amperes = 0.0
        sums = [0.0, 0.0]
        for _ in range(10):
            self.plant.advance(0.02, [1000 + demand_pm])
            lower, top = self.plant.sense_points_v(0)
            sums[0] += lower
            sums[1] += top - lower
            amperes += self.plant.current_a(0)
        self.feed.sections_mv[:2] = [sensed_mv(v / 10, self.random) for v in sums]
        self.feed.demand_pm[0] = demand_pm
        self.feed.sensor_da[0] = round(amperes) if self.mode == "sensor" else UNKNOWN
        return self.feed.tick()

    def left(self) -> float:
        return 100 * min(s.charge for s in self.plant.sections(0))

    def rest_mv(self, section: int) -> float:
        s = self.plant.sections(0)[section]
        return 1000 * s.rest_voltage_v / s.cells


CURVE = measured_curve()
# Charge in points, voltage at rest in mV. The measured curve stands for one voltage, the pack has another.
BOUNDS = {"sensor": (1, 14), "curve": (5, 35), "nothing": (8, 50)}


@pytest.mark.parametrize("mode", BOUNDS)
@pytest.mark.parametrize(("seed", "charge"), [(1, 1.0), (3, 0.6)])
def test_a_ride(mode, seed, charge):
    points, mv = BOUNDS[mode]
    run = Run(mode, seed, charge, CURVE if mode != "nothing" else (0,) * 11)
    warned = None
    for k, pm in enumerate(ride(seed, 1800)):
        e = run.step(pm)
        left = run.left()
        if left < 10:
            break
        if k < 50:
            continue
        assert abs(e.charge_pm[0] / 10 - left) <= points
        assert abs(e.rest_cell_mv[1] - run.rest_mv(1)) <= mv
        if warned is None and e.weakest_rest_cell_mv < WARN_MV:
            warned = left
    assert warned is not None and 12 <= warned <= 30
    # 1.5 milliohm and what the RC pairs show in a second; the negative lead adds its 1.5 over 5 cells to the lower one.
    if mode != "nothing":
        lower, upper = e.resistance_mohm_x10[:2]
        assert 12 <= upper <= 25
        assert lower - upper == pytest.approx(10 * 1.5 / 5, abs=2)


def test_a_weak_section_is_found_and_sets_charge_and_warning():
    """A tired pack in the lower half: four fifths of the capacity, nearly twice the resistance."""
    run = Run("sensor", 2, current_da=CURVE)
    run.plant.weaken_section(0, 0, capacity_factor=0.8, resistance_factor=1.8)
    warned, worst = None, 0.0
    for k, pm in enumerate(ride(2, 1800)):
        e = run.step(pm)
        left = run.left()
        if left < 10:
            break
        if k > 50:
            worst = max(worst, abs(e.charge_pm[0] / 10 - left))
        if warned is None and e.weakest_rest_cell_mv < WARN_MV:
            warned = left
            assert e.rest_cell_mv[0] == e.weakest_rest_cell_mv < e.rest_cell_mv[1] - 10
    assert warned is not None and 12 <= warned <= 30
    assert worst <= 9  # counting alone would be 20 points off at the end
    assert e.resistance_mohm_x10[0] > 1.5 * e.resistance_mohm_x10[1]
