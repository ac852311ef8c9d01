"""Fan, string and leads solved together: bounds, conservation, signs."""

from math import exp, pi, sqrt

import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from barbox.sim.plant import (
    POLYMER_CELL,
    EscSpec,
    FanSpec,
    Plant,
    PlantSpec,
    SectionSpec,
    SideSpec,
    VehicleSpec,
    air_density_kg_m3,
)

HEAVY = VehicleSpec(mass_kg=1e9)  # stays where it is, so that thrust is static thrust


def one_side(vehicle: VehicleSpec = HEAVY, air_density: float = 1.225, **side) -> Plant:
    side.setdefault("sections", (SectionSpec(5, 10.0), SectionSpec(5, 10.0)))
    return Plant(PlantSpec((SideSpec("only", **side),), vehicle, air_density))


def armed(**kind) -> Plant:
    plant = one_side(**kind)
    plant.advance(1.6, [1000])
    return plant


def test_full_thrust_of_the_default_side():
    """A 120 mm fan on ten cells: about 65 N from about 4 kW and 110 to 135 A (common practice, no source)."""
    plant = armed()
    plant.advance(60.0, [2000])
    assert 60.0 < plant.thrust_n(0) < 75.0
    assert 110.0 < plant.current_a(0) < 135.0
    assert 36.0 < plant.esc_voltage_v(0) < 39.5


def test_rated_voltage_gives_rated_thrust_and_power():
    cells = SectionSpec(10, 1e6, resistance_mohm_per_cell=1e-6)  # a stiff supply at 4.1867 V a cell
    plant = armed(sections=(cells,), fan=FanSpec(rated_v=41.867), lead_pos_mohm=0.0, lead_neg_mohm=0.0)
    plant.advance(6.0, [2000])
    assert plant.speed_rpm(0) == pytest.approx(36000, rel=1e-4)
    assert plant.thrust_n(0) == pytest.approx(65.0, rel=2e-4)
    assert plant.shaft_power_w(0) == pytest.approx(4000.0, rel=3e-4)
    assert plant.current_a(0) == pytest.approx((4000.0 / 0.9 + 2.0) / 41.867, rel=4e-4)


FANS = st.tuples(
    st.floats(60, 200), st.floats(5, 150), st.floats(0.3, 4.0), st.floats(0.5, 1.3), st.floats(20, 60)
)


@settings(max_examples=60, deadline=None)
@given(
    FANS,
    st.lists(st.tuples(st.integers(1000, 2000), st.floats(0.02, 1.0)), min_size=1, max_size=6),
    st.sampled_from([0.0, 1500.0, 3000.0]),
    st.floats(0.0, 1.0),
)
@example((60.0, 59.0, 1.0002042140393241, 1.0, 20.0), [(1000, 1.0)], 0.0, 0.0)  # 500 A empty a small pack meanwhile
def test_no_simulated_fan_beats_the_ideal_duct(fan, ride, altitude, road_speed):
    """P >= T^1.5 / sqrt(4 rho A sigma): textbook result (from memory; derived in data/ducted_bound.toml)."""
    diameter, thrust, merit_inverse, sigma, volts = fan
    area = pi * (diameter * 1e-3) ** 2 / 4.0
    power = merit_inverse * thrust**1.5 / sqrt(4.0 * 1.225 * area * sigma)
    kind = {"diameter_mm": diameter, "full_thrust_n": thrust, "full_power_w": power, "exit_area_ratio": sigma}
    assume(abs(merit_inverse - 1.0) > 1e-6)
    if merit_inverse < 1.0:
        with pytest.raises(ValueError, match="even an ideal duct needs"):
            FanSpec(**kind)
        return
    density = air_density_kg_m3(altitude)
    # Packs so large that the rotor gets steady below: one that still slows down gives power back.
    packs = (SectionSpec(5, 1000.0), SectionSpec(5, 1000.0))
    plant = armed(sections=packs, fan=FanSpec(rated_v=volts, **kind), air_density=density)
    plant.vehicle.speed_m_s = 30.0 * road_speed
    for pulse, seconds in ride:
        plant.advance(seconds, [pulse])
        bound = plant.thrust_n(0) ** 1.5 / sqrt(4.0 * density * area * sigma)
        assert plant.shaft_power_w(0) >= bound * (1.0 - 1e-9)
    # Steady: nor can it be beaten by what the string gives.
    plant.vehicle.speed_m_s = 0.0
    plant.advance(4.0, [2000])
    bound = plant.thrust_n(0) ** 1.5 / sqrt(4.0 * density * area * sigma)
    assert plant.esc_voltage_v(0) * plant.current_a(0) * FanSpec.efficiency >= bound * (1.0 - 1e-3)


def test_road_speed_takes_thrust_but_not_power():
    """Momentum: T = m' (w - v) at a constant jet speed w, here with the road at half of it."""
    still, moving = armed(), armed()
    jet = sqrt(65.0 / (1.225 * pi * 0.12**2 / 4.0))
    for plant in (still, moving):
        plant.advance(5.0, [2000])
    moving.vehicle.speed_m_s = 0.5 * jet * moving.speed_rpm(0) / 36000.0
    for plant in (still, moving):
        plant.advance(0.02, [2000])
    assert moving.thrust_n(0) == pytest.approx(0.5 * still.thrust_n(0), rel=1e-3)
    assert moving.shaft_power_w(0) == pytest.approx(still.shaft_power_w(0), rel=1e-9)


def test_energy_is_conserved():
    """Chemical energy = losses in cells and leads + drive loss + fan + rotor + standby, over a lively minute.

    The chemical side is the integral of the published open-circuit curve over charge, the rest is summed
    from what the plant reports.
    """
    plant = one_side(
        fan=FanSpec(efficiency=0.85), sections=(SectionSpec(4, 8.0, 0.9), SectionSpec(6, 8.0, 0.7))
    )

    def integral(s: float) -> float:
        a, b, c0, c1, c2, c3 = POLYMER_CELL.open_circuit_v
        return -a / b * exp(-b * s) + s * (c0 + s * (c1 / 2 + s * (c2 / 3 + s * c3 / 4)))

    def chemical_j() -> float:
        return sum(s.cells * 8.0 * 3600.0 * integral(s.charge) for s in plant.sections(0))

    def rotor_j() -> float:
        return 0.5 * 4000.0 * 0.35 * (plant.speed_rpm(0) / 36000.0) ** 2

    def rc_j() -> float:
        total = 0.0
        for section in plant.sections(0):
            for g in section.groups:
                ohm = g.cells * g.resistance_scale
                for v, _r, c in rc_pairs(g):
                    total += 0.5 * c / ohm * v * v
        return total

    def rc_pairs(g):
        cell = POLYMER_CELL
        yield g.short_v, cell.short_ohm_at(g.charge), cell.short_farad_at(g.charge)
        yield g.long_v, cell.long_ohm_at(g.charge), cell.long_farad_at(g.charge)

    dt = 0.02
    start = chemical_j()
    cells_j = leads_j = drive_j = fan_j = 0.0
    ride = [(1000, 1.6), (2000, 10.0), (1300, 5.0), (1700, 20.0), (1000, 3.0), (1900, 20.0)]
    for pulse, seconds in ride:
        for _ in range(round(seconds / dt)):
            before = plant.shaft_power_w(0)
            plant.advance(dt, [pulse])
            i = plant.current_a(0)
            fan_j += dt * 0.5 * (before + plant.shaft_power_w(0))
            drive_j += dt * (plant.motor_power_w(0) * (1 / 0.85 - 1) + 2.0)
            leads_j += dt * i * i * 3.5e-3
            for section in plant.sections(0):
                for g in section.groups:
                    cells_j += dt * i * i * g.series_ohm
                    for v, r, _c in rc_pairs(g):
                        cells_j += dt * v * v / (r * g.cells * g.resistance_scale)
    spent = start - chemical_j()
    assert spent > 100e3
    assert cells_j > 0.03 * spent
    assert cells_j + rc_j() + leads_j + drive_j + fan_j + rotor_j() == pytest.approx(spent, rel=1e-3)


def test_spinning_up_costs_the_rotor_its_energy():
    """700 J at full speed, here more than the air takes in the first quarter of a second."""
    plant = armed()
    dt = 0.001
    given = air = 0.0
    for _ in range(250):
        before = plant.shaft_power_w(0)
        plant.advance(dt, [2000])
        given += dt * plant.motor_power_w(0)
        air += dt * 0.5 * (before + plant.shaft_power_w(0))
    rotor = 0.5 * 4000.0 * 0.35 * (plant.speed_rpm(0) / 36000.0) ** 2
    assert rotor > air > 0.0
    assert given == pytest.approx(rotor + air, rel=1e-3)


def test_thin_air_takes_thrust_and_power_at_a_given_speed():
    """T = C_T rho n^2 D^4 and P = C_P rho n^3 D^5: both go with density (data/fan_laws.toml)."""
    plant = armed(air_density=0.9)
    plant.advance(5.0, [1800])
    n = plant.speed_rpm(0) / 36000.0
    assert plant.thrust_n(0) == pytest.approx(65.0 * n**2 * 0.9 / 1.225, rel=1e-6)
    assert plant.shaft_power_w(0) == pytest.approx(4000.0 * n**3 * 0.9 / 1.225, rel=1e-6)


def test_esc_input_power_is_shaft_power_over_efficiency():
    plant = armed()
    plant.advance(8.0, [1700])
    expected = plant.motor_power_w(0) / 0.9 + 2.0
    assert plant.esc_voltage_v(0) * plant.current_a(0) == pytest.approx(expected, rel=1e-4)


def test_pack_negative_lies_below_box_ground_under_load():
    """Current flows from the ESC's ground, which is box ground, into the pack's negative."""
    plant = armed(lead_neg_mohm=2.0)
    assert plant.pack_negative_v(0) == pytest.approx(0.0, abs=1e-3)
    rest = plant.sense_points_v(0)
    plant.advance(5.0, [2000])
    current = plant.current_a(0)
    assert current > 100.0
    assert plant.pack_negative_v(0) == pytest.approx(-current * 2e-3)
    lowest, top = plant.sense_points_v(0)
    a, b = plant.sections(0)
    assert lowest == pytest.approx(a.voltage_v - current * 2e-3)
    # The offset lands on the lowest section and on the top alike, and cancels between sense points.
    assert top - lowest == pytest.approx(b.voltage_v)
    assert rest[1] == pytest.approx(2 * rest[0], abs=1e-3)
    assert plant.esc_voltage_v(0) == pytest.approx(top - current * 2e-3)


@given(st.floats(1.0, 300.0), st.integers(1100, 2000))
@settings(max_examples=30, deadline=None)
def test_a_string_that_cannot_deliver_saturates(factor, pulse):
    plant = armed()
    plant.weaken_section(0, 0, resistance_factor=factor)
    highest = 0.0
    for _ in range(150):
        plant.advance(0.02, [pulse])
        volts, current = plant.esc_voltage_v(0), plant.current_a(0)
        highest = max(highest, plant.speed_rpm(0))
        assert current >= 0.0
        assert 0.49 * 37.0 < volts < 42.0
        assert volts * current * 0.9 <= 1.01 * (plant.motor_power_w(0) + 2.0)
    assert highest <= 36000 * 42.0 / 37.0


def test_a_weak_string_gives_less_thrust():
    fresh, weak = armed(), armed()
    weak.weaken_section(0, 1, resistance_factor=50.0)
    for plant in (fresh, weak):
        plant.advance(5.0, [2000])
    assert weak.thrust_n(0) < 0.6 * fresh.thrust_n(0)


def test_fan_spools_up_behind_the_command_and_runs_down_on_its_own_drag():
    plant = armed()
    plant.advance(0.36, [1600])
    final = armed()
    final.advance(4.0, [1600])
    ratio = plant.speed_rpm(0) / final.speed_rpm(0)
    assert 0.55 < ratio < 0.72  # 1 - 1/e about one time constant on
    plant.advance(4.0, [1600])
    top = plant.speed_rpm(0)
    plant.advance(0.02, [1000])
    assert plant.motor_power_w(0) == 0.0
    plant.advance(0.68, [1000])
    # dn/dt = -n^2 / (0.35 s) with n of full speed: a rotor of P tau / 2 joules, slowed by the cube of speed.
    n = top / 36000.0
    assert plant.speed_rpm(0) == pytest.approx(top / (1.0 + n * 0.70 / 0.35), rel=1e-6)


@pytest.mark.parametrize("dt", [0.0005, 0.005, 0.0251, 0.05, 0.1])
def test_the_answer_does_not_hang_on_the_step(dt):
    reference, plant = armed(), armed()
    steps = round(2.0 / dt)
    for _ in range(steps):
        plant.advance(dt, [1800])
    for _ in range(100):
        reference.advance(dt * steps / 100, [1800])
    assert plant.t_s == pytest.approx(reference.t_s)
    assert plant.thrust_n(0) == pytest.approx(reference.thrust_n(0), rel=1e-3)
    assert plant.current_a(0) == pytest.approx(reference.current_a(0), rel=1e-3)
    assert plant.sections(0)[0].charge == pytest.approx(reference.sections(0)[0].charge, abs=2e-5)


def test_hold_time_of_the_esc_reaches_the_fan():
    plant = armed(esc=EscSpec(hold_s=1.0))
    plant.advance(4.0, [1600])
    steady = plant.current_a(0)
    plant.advance(0.98, [None])
    assert plant.current_a(0) == pytest.approx(steady, rel=0.02)
    plant.advance(0.1, [None])
    assert plant.current_a(0) < 0.1


def test_specs_refuse_nonsense():
    for wrong in ({"efficiency": 1.1}, {"diameter_mm": 0}, {"spool_s": float("nan")}, {"rotor_j": -1.0}):
        with pytest.raises(ValueError, match=f"FanSpec.{next(iter(wrong))}"):
            FanSpec(**wrong)
    with pytest.raises(ValueError, match="SectionSpec.cells"):
        SectionSpec(0, 10.0)
    with pytest.raises(ValueError, match="has no section"):
        SideSpec("bare", ())
    with pytest.raises(ValueError, match="1 to 4 sides"):
        PlantSpec(())
