"""What the simulated wires bring to the real firmware: speed, supply, currents, pack negatives, contacts."""

import pytest
from bench_host import FRAME_US, Host, above_idle, arm, make_box, quick_values, us

from barbox.sim.board import LEFT, RIGHT
from shared_proto.settings import CURRENT


def wired():
    """The example rig with all that a box can have: a wheel sensor, a supply limit, brake and rest switch, and a
    current sensor of 100 A/V on the left."""
    values = quick_values(wheel_mm=2000, supply_min_mv=4500, brake=1, lever_switch=1)
    for name, value in (("side", 1), ("kind", CURRENT), ("nv_per_count", 1_250_000), ("offset_mv", -16_500)):
        values.put(f"sense.{name}", value, 3)
    return values


def test_what_the_box_reads_is_what_the_plant_has():
    with make_box(wired()) as box, Host(box) as host:
        box.advance(0.5)
        arm(box)
        box.plant.vehicle.speed_m_s = 8.0
        box.move_lever(700)
        host.ride(4)
        assert box.thrust_n(LEFT) > 20
        status, plant = host.status, box.plant
        assert status.speed_dmh == pytest.approx(36 * plant.vehicle.speed_m_s, rel=0.03)
        # A rail of 3.3 V to 1 %, a code of 0.8 mV, doubled by the divider.
        assert status.supply_mv == pytest.approx(5000, abs=50)
        # The sensor's own 0.4 % (one deviation), its offset and a frame of delay.
        assert status.current_da[LEFT] == pytest.approx(10 * plant.current_a(LEFT), rel=0.03)
        for side, n in ((LEFT, 2), (RIGHT, 6)):
            assert plant.pack_negative_v(side) < -0.05
            assert status.sense_mv[n] == pytest.approx(-1000 * plant.pack_negative_v(side), abs=5)


def test_the_wheel_at_60_km_h_is_followed_to_a_hundredth():
    with make_box(wired()) as box, Host(box) as host:
        host.ride(3)  # past the write of the event log, which holds up the interrupts of the wheel
        assert host.status.speed_dmh == 0
        box.plant.vehicle.speed_m_s = 60 / 3.6
        for _ in range(5):
            host.ride(0.5)
            # The speed of the last turn, up to 0.12 s old, of a vehicle that loses some 0.5 m/s each second.
            assert host.status.speed_dmh == pytest.approx(36 * box.plant.vehicle.speed_m_s, rel=0.01)
        box.cut_wheel_wire()
        host.ride(4)
        assert host.status.speed_dmh == 0


def test_the_brake_ends_thrust_and_so_does_a_lost_supply_at_the_escs():
    with make_box(wired()) as box, Host(box) as host:
        box.advance(0.5)
        arm(box)
        box.move_lever(500)
        host.ride(3)
        before_n = box.thrust_n(LEFT)
        box.set_supply_v(1.5)  # nothing carries the pulses any more, whatever the box makes
        host.ride(1.5)
        assert box.plant.esc_state(LEFT) == "waiting" and box.thrust_n(LEFT) < 0.2 * before_n
    with make_box(wired()) as box:
        box.advance(0.5)
        arm(box)
        box.move_lever(500)
        box.advance(3)
        box.press_brake()
        braked_us = us(box)
        box.advance(1)
        # From half of full: half of the ramp, and two frames.
        within_us = 1000 * wired().get("ramp_down_ms") // 2 + 2 * FRAME_US
        assert not above_idle(box, LEFT, braked_us + within_us)


def test_a_rest_switch_that_stays_closed_is_told_from_a_lever_at_rest():
    with make_box(wired()) as box, Host(box) as host:
        box.advance(0.5)
        box.stick_rest_switch(True)
        arm(box)
        box.move_lever(600)
        host.ride(1)
        assert host.state == "HELD" and not above_idle(box, LEFT)
