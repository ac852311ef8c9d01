"""Faults of the plant, the vehicle on its loop, and determinism."""

from math import sqrt

import pytest

from barbox.sim.plant import Plant, PlantSpec, SectionSpec, SideSpec, VehicleSpec

SECTION = SectionSpec(5, 10.0)
SIDES = tuple(SideSpec(name, (SECTION, SECTION)) for name in ("left", "right"))
TRIKE = PlantSpec(SIDES)


def riding(spec: PlantSpec = TRIKE, seed: int = 0) -> Plant:
    plant = Plant(spec, seed)
    plant.advance(1.6, [1000, 1000])
    plant.advance(4.0, [1700, 1700])
    assert min(plant.thrust_n(0), plant.thrust_n(1)) > 10.0
    return plant


def test_sides_alike_stay_alike():
    plant = riding()
    assert plant.sense_points_v(0) == plant.sense_points_v(1)
    assert plant.current_a(0) == plant.current_a(1)


def test_weak_section_sags_more_and_empties_sooner():
    plant = riding()
    plant.weaken_section(1, 0, capacity_factor=0.5, resistance_factor=2.0, charge=0.6)
    sound_before = plant.sections(1)[1].charge
    plant.advance(30.0, [1700, 1700])
    weak, sound = plant.sections(1)
    assert 0.6 - weak.charge == pytest.approx(2.0 * (sound_before - sound.charge), rel=1e-6)
    assert weak.rest_voltage_v - weak.voltage_v > 1.7 * (sound.rest_voltage_v - sound.voltage_v)
    lowest, top = plant.sense_points_v(1)
    assert lowest < top - lowest
    assert plant.sections(0)[0].voltage_v > weak.voltage_v + 1.0


def test_a_weak_cell_hides_in_the_mean_of_its_section():
    plant = riding()
    whole = plant.sections(0)[0].voltage_v
    plant.weaken_cell(0, 0, charge=0.05)
    section = plant.sections(0)[0]
    assert section.cells == 5
    assert whole - section.voltage_v < 0.8
    plant.advance(10.0, [1700, 1700])
    assert section.lowest_cell_v < 3.4 < section.mean_cell_v
    assert section.lowest_charge < 0.05 < section.charge
    # The same cell again, not another one.
    plant.weaken_cell(0, 0, resistance_factor=3.0)
    assert [g.cells for g in section.groups] == [4, 1]


def test_weakening_one_cell_by_nothing_changes_nothing():
    plant, same = riding(), riding()
    plant.weaken_cell(0, 1)
    for p in (plant, same):
        p.advance(5.0, [1800, 1800])
    assert plant.sense_points_v(0) == pytest.approx(same.sense_points_v(0), rel=1e-9)
    assert plant.current_a(0) == pytest.approx(same.current_a(0), rel=1e-9)


def test_dead_fan_draws_nothing_and_runs_down():
    plant = riding()
    plant.kill_fan(0)
    plant.advance(2.0, [1700, 1700])
    assert plant.current_a(0) < 0.1 < plant.current_a(1)
    assert plant.thrust_n(0) < 3.0 < plant.thrust_n(1)
    assert plant.esc_state(0) == "running"
    plant.revive_fan(0)
    plant.advance(2.0, [1700, 1700])
    assert plant.thrust_n(0) > 10.0


def test_restarted_esc_waits_for_idle():
    plant = riding()
    plant.restart_esc(1)
    plant.advance(5.0, [1700, 1700])
    assert plant.esc_state(1) == "waiting"
    assert plant.thrust_n(1) < 1.0 < plant.thrust_n(0)
    plant.advance(1.6, [1000, 1000])
    plant.advance(2.0, [1700, 1700])
    assert plant.thrust_n(1) > 10.0


def test_lost_string_shows_no_sag_at_the_sense_wires():
    plant = riding()
    plant.lose_string(0)
    plant.advance(2.0, [1700, 1700])
    assert plant.current_a(0) == plant.esc_voltage_v(0) == plant.pack_negative_v(0) == 0.0
    assert plant.esc_state(0) == "off"
    assert plant.sense_points_v(0)[1] > plant.sense_points_v(1)[1] + 0.5
    plant.restore_string(0)
    plant.advance(2.0, [1700, 1700])
    assert plant.current_a(0) < 0.1  # wants idle first
    plant.advance(1.6, [1000, 1000])
    plant.advance(2.0, [1700, 1700])
    assert plant.thrust_n(0) > 10.0


def test_a_main_plug_pulled_for_a_moment_restarts_the_esc():
    plant = riding()
    plant.lose_string(0)
    plant.restore_string(0)
    plant.advance(2.0, [1700, 1700])
    assert plant.esc_state(0) == "waiting"
    assert plant.current_a(0) < 0.1 < plant.current_a(1)


def test_swapped_packs_keep_their_charge():
    plant = riding()
    plant.set_charge(0, 0.4)
    plant.swap_packs(0, 1)
    assert plant.sections(1)[0].charge == pytest.approx(0.4)
    assert plant.sections(0)[0].charge > 0.9
    assert plant.sense_points_v(1)[1] < plant.sense_points_v(0)[1] - 2.0


def test_current_through_the_signal_ground_moves_every_sense_point():
    plant = riding()
    plant.advance(4.0, [1300, 1300])
    before = plant.pack_negative_v(0)
    plant.set_lead_resistance(0, negative_mohm=100.0)
    plant.advance(1.0, [1300, 1300])
    assert plant.pack_negative_v(0) == pytest.approx(-0.1 * plant.current_a(0))
    assert plant.pack_negative_v(0) < 20.0 * before < 0.0


def test_over_discharge_ends_near_nothing_and_not_beyond():
    plant = riding()
    plant.set_charge(0, 0.01)
    plant.advance(120.0, [2000, 2000])
    for section in plant.sections(0):
        assert section.charge > -0.1
        assert section.rest_voltage_v >= 0.0
    assert plant.thrust_n(0) < 5.0


def test_a_section_driven_past_empty_gives_nothing_at_rest():
    """The sound section still pushes current through it, so its voltage is that of reversed cells."""
    plant = riding()
    plant.weaken_section(0, 0, capacity_factor=0.03, charge=0.0)
    plant.advance(20.0, [1500, 1500])
    empty = plant.sections(0)[0]
    assert empty.charge < -0.1
    assert empty.rest_voltage_v == 0.0
    assert empty.voltage_v < 0.0 < plant.sense_points_v(0)[1]


@pytest.mark.parametrize(
    "wrong", [{"capacity_factor": 0.0}, {"resistance_factor": float("nan")}, {"charge": 1.2}]
)
def test_impossible_faults_are_refused(wrong):
    with pytest.raises(ValueError, match="is not above 0|is outside"):
        riding().weaken_section(0, 0, **wrong)


def test_a_side_that_is_not_there():
    with pytest.raises(IndexError):
        riding().kill_fan(2)
    with pytest.raises(ValueError, match="1 pulse widths for 2 sides"):
        riding().advance(0.02, [1000])
    with pytest.raises(ValueError, match="not above 0"):
        riding().advance(0.0, [1000, 1000])


def test_same_seed_same_plant():
    section = SectionSpec(5, 10.0, spread=0.05)
    spec = PlantSpec(tuple(SideSpec(name, (section, section)) for name in ("left", "right")))

    def trace(seed: int) -> list[float]:
        plant = riding(spec, seed)
        return [*plant.sense_points_v(0), *plant.sense_points_v(1), plant.vehicle.distance_m]

    assert trace(7) == trace(7)
    assert trace(7) != trace(8)
    plant = riding(spec, 7)
    a, b = plant.sections(0)
    # One current, two capacities, two resistances.
    assert (1.0 - a.charge) / (1.0 - b.charge) != pytest.approx(1.0, rel=1e-3)
    assert a.groups[0].series_ohm / b.groups[0].series_ohm != pytest.approx(1.0, rel=1e-3)


def test_terminal_speed_balances_thrust_and_drag():
    plant = riding()
    plant.advance(240.0, [1700, 1700])
    thrust = plant.thrust_n(0) + plant.thrust_n(1)
    v = plant.vehicle.speed_m_s
    spec = VehicleSpec()
    rolling = spec.crr * spec.mass_kg * 9.80665
    assert v == pytest.approx(sqrt((thrust - rolling) / (0.5 * 1.225 * spec.cda_m2)), rel=0.01)


def test_vehicle_goes_round_its_loop_and_stands_still_when_braked():
    plant = riding()
    plant.advance(240.0, [1700, 1700])
    vehicle = plant.vehicle
    assert vehicle.laps >= 1
    assert vehicle.position_m == pytest.approx(vehicle.distance_m % 1000.0, abs=1e-6)
    vehicle.brake_n = 500.0
    plant.advance(15.0, [1000, 1000])
    assert vehicle.speed_m_s == 0.0
    at = vehicle.distance_m
    vehicle.brake_n = 0.0
    vehicle.gradient = 0.05
    plant.advance(5.0, [1000, 1000])
    assert vehicle.distance_m == at


def test_uphill_is_slower_and_headwind_too():
    speeds = []
    for gradient, wind in ((0.0, 0.0), (0.02, 0.0), (0.0, 5.0)):
        plant = riding()
        plant.vehicle.gradient, plant.vehicle.headwind_m_s = gradient, wind
        plant.advance(60.0, [1700, 1700])
        speeds.append(plant.vehicle.speed_m_s)
    assert min(speeds[0] - speeds[1], speeds[0] - speeds[2]) > 1.0
