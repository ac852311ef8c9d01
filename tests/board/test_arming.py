"""From power-on to thrust, on the simulated board."""

import pytest
from bench_host import ESC_IDLE_MS, FRAME_US, HOLD_MS, IDLE_US, Host, arm, make_box, quick_values, us

from barbox.sim.board import LEFT, RIGHT
from shared_proto import messages, states
from shared_proto.settings import Values


def test_boot_is_locked_with_idle_pulses_and_none_before():
    with make_box(boot_s=1.2) as box:
        box.advance(1.2)
        assert box.pulses(LEFT) == box.pulses(RIGHT) == []
        with Host(box) as host:
            host.ride(3)
            assert host.state == "LOCKED"
            identity = host.hello()
            assert (identity.board, identity.rig) == ("pico_w", "trike")
            assert states.name(states.RESETS, identity.reset) == "POWER"
            assert [e.a for e in host.events_of("BOOT")] in ([states.RESET_POWER], [])
        for side in (LEFT, RIGHT):
            rises = [rise for rise, _ in box.pulses(side)]
            assert {width for _, width in box.pulses(side)} == {IDLE_US}
            assert {b - a for a, b in zip(rises, rises[1:], strict=False)} == {FRAME_US}
            assert rises[0] < 1_600_000


def test_both_sides_rise_in_step():
    with make_box() as box:
        box.advance(1)
        together = zip(box.pulses(LEFT), box.pulses(RIGHT), strict=True)
        assert {right[0] - left[0] for left, right in together} <= {0, 1}  # a flag each, one cycle apart


def test_the_arming_order_and_a_refusal_with_its_reason():
    with make_box() as box, Host(box) as host:
        host.ride(2)
        assert (host.state, host.waits) == ("LOCKED", "STOP_TEST")
        box.press_arm_button()
        host.ride(1.5)
        box.release_arm_button()
        host.ride(0.3)
        assert host.state == "LOCKED"
        assert [states.name(states.WAITS, e.a) for e in host.events_of("ARM_REFUSED")] == ["STOP_TEST"]
        box.open_stop_loop()
        host.ride(0.3)
        assert host.waits == "STOP_CLOSED"
        box.close_stop_loop()
        box.move_lever(300)
        host.ride(0.3)
        assert host.waits == "LEVER_REST"
        box.move_lever(0)
        host.ride(ESC_IDLE_MS / 1000)
        assert host.waits == "BUTTON"
        pressed_us = us(box)
        box.press_arm_button()
        host.ride(HOLD_MS / 1000 + 0.2)
        assert host.state == "READY"
        ready_ms = host.events_of("STATE")[-1].time_ms
        now_ms, now_us = host.status.time_ms, us(box)
        held_ms = ready_ms - (now_ms - (now_us - pressed_us) / 1000)
        assert HOLD_MS - 30 <= held_ms <= HOLD_MS + 230  # status and event are up to 0.1 s old each
        assert {width for side in (LEFT, RIGHT) for _, width in box.pulses(side)} == {IDLE_US}


@pytest.mark.parametrize("left_out", ["stop test", "stop closed", "lever at rest", "button released", "idle seen"])
def test_the_order_with_a_part_left_out_turns_no_fan(left_out):
    values = quick_values(esc_idle_ms=2000) if left_out == "idle seen" else quick_values()
    with make_box(values) as box:
        if left_out == "button released":
            box.after(0.7, box.press_arm_button)  # up at power-up, but pressed before all is well, and kept so
        box.advance(0.8)
        if left_out != "stop test":
            box.open_stop_loop()
            box.advance(0.1)
        if left_out != "stop closed":
            box.close_stop_loop()
        if left_out == "lever at rest":
            box.move_lever(200)
        box.advance(0.05 if left_out == "idle seen" else 1.5)
        box.press_arm_button()
        box.advance(3)
        box.move_lever(1000)
        box.advance(2)
        assert {width for side in (LEFT, RIGHT) for _, width in box.pulses(side)} == {IDLE_US}


def test_a_button_held_at_power_up_leaves_the_box_off():
    with make_box() as box:
        box.power_off()
        box.press_arm_button()
        box.power_on()
        box.advance(3)
        assert box.pulses(LEFT) == box.pulses(RIGHT) == []
        assert box.resets == []


def test_nothing_on_the_link_arms_or_moves():
    with make_box() as box, Host(box) as host:
        host.ride(1)
        for kind in range(256):
            host.send(b"")
            host.post(messages.Message(kind, "any", "host", "", (("x", "*", "", ""),)), b"\x01\x00\x02")
            if kind % 16 == 0:
                host.ride(0.2)
        host.ride(1)
        assert host.state == "LOCKED" and "READY" not in host.states_seen()
        box.move_lever(1000)
        host.ride(1)
        assert {width for _, width in box.pulses(LEFT)} == {IDLE_US}


def test_lever_to_thrust_and_back():
    with make_box() as box, Host(box) as host:
        host.ride(1)
        arm(box)
        box.move_lever(600)
        host.ride(3)
        assert host.state == "DRIVING"
        assert host.status.lever_pm == pytest.approx(596, abs=8)  # dead band and end play taken off
        assert host.status.demand_pm == host.status.lever_pm
        for side in (LEFT, RIGHT):  # the status is up to a tenth of a second old, and the lever has noise
            assert host.status.pulse_us[side] in {width for _, width in box.pulses(side)[-8:]}
        assert box.thrust_n(LEFT) > 30 and box.thrust_n(RIGHT) > 30
        box.move_lever(0)
        host.ride(2)
        assert host.state == "READY"
        assert box.thrust_n(LEFT) < 3
        assert host.status.overruns == 0


@pytest.mark.parametrize("curve", ["linear", "of the rig"])
def test_the_ramp_on_the_pulses(curve):
    values = quick_values()
    if curve == "linear":
        for side in (0, 1):
            values.put("side.curve", tuple(range(0, 1001, 100)), side)
    with make_box(values) as box:
        box.advance(1)
        arm(box)
        up_us = us(box)
        box.move_lever(1000)
        box.advance(2.5)
        full = [rise for rise, width in box.pulses(LEFT) if width == 2000]
        # From the movement: one step to see it, 2.0 s of ramp, one frame until the pulse rises.
        assert 2_000_000 - FRAME_US <= full[0] - up_us <= 2_000_000 + 3 * FRAME_US
        half = [width for rise, width in box.pulses(LEFT) if rise <= up_us + 1_020_000][-1]
        assert half == pytest.approx(1500 if curve == "linear" else 1707, abs=25)
        down_us = us(box)
        box.move_lever(0)
        box.advance(1)
        idle = [rise for rise, width in box.pulses(LEFT) if rise > down_us and width == IDLE_US]
        assert 300_000 - FRAME_US <= idle[0] - down_us <= 300_000 + 3 * FRAME_US
        assert box.pulses(LEFT)[-1][1] == IDLE_US


def test_a_box_without_settings_is_a_voltmeter():
    with make_box(applied=False) as box, Host(box) as host:
        host.ride(1)
        assert (host.state, host.waits) == ("LOCKED", "NO_RIG")
        assert "UNCALIBRATED" in host.warnings and "SETTINGS" not in host.warnings
        # Nominal dividers: the inputs that the defaults use read whatever their pins carry.
        defaults = Values()
        for n in range(2):
            wire = box.wiring.wires[n]
            pin_v = box.plant.sense_points_v(LEFT)[wire.section] / wire.ratio
            nominal_mv = pin_v * defaults.get("sense.nv_per_count", n) / 125_000 * 1000
            assert host.status.sense_mv[n] == pytest.approx(nominal_mv, rel=0.01)
        identity = host.hello()
        assert (identity.rig, identity.settings_seq) == ("", 0)
        assert identity.uncertainty_mv == defaults.get("sense.uncertainty_mv", 0)
        arm(box)
        box.move_lever(1000)
        host.ride(3)
        assert (host.state, host.waits) == ("LOCKED", "NO_RIG")
        assert {width for _, width in box.pulses(LEFT)} == {IDLE_US}


def test_an_unproven_rig_is_capped():
    values = quick_values()
    values.put("side.proven", 0, 1)
    with make_box(values) as box, Host(box) as host:
        host.ride(1)
        assert "UNPROVEN" in host.warnings
        arm(box)
        box.move_lever(1000)
        host.ride(3)
        assert (host.status.demand_pm, host.limit, host.status.limit_pm) == (300, "UNPROVEN", 300)
