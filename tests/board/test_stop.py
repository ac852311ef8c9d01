"""The stop loop, at any moment in any state: the last pulse above idle ends within 25 ms."""

import pytest
from bench_host import FRAME_US, HOLD_MS, IDLE_US, Host, above_idle, arm, make_box, quick_values, us

from barbox.sim.board import LEFT, RIGHT

WITHIN_US = 25_000
PHASES_US = (0, 1_700, 4_900, 9_990, 13_333, 18_600, 19_999)  # of the 20 ms frame


def unlock(box):
    """Out of HELD: loop closed, lever at rest, one press."""
    box.close_stop_loop()
    box.move_lever(0)
    box.advance(0.2)
    box.press_arm_button()
    box.advance(0.1)
    box.release_arm_button()
    box.advance(0.1)


def pull(box, lever_pm, seconds):
    box.move_lever(lever_pm)
    box.advance(seconds)
    assert above_idle(box, LEFT, us(box) - 2 * FRAME_US), "not pulling: the test would show nothing"


def weaken(box):
    for side in (LEFT, RIGHT):
        box.weaken_section(side, 1, charge=0.10, resistance_factor=2.5)


# Lever and seconds.
PULLS = {"pulling away": (1000, 0.4), "cruise": (450, 1.6), "full": (1000, 2.3), "cutback": (1000, 4)}


@pytest.mark.parametrize("where", PULLS)
def test_the_last_pulse_above_idle_ends_within_25_ms(where):
    with make_box() as box, Host(box) as host:
        box.advance(0.5)
        if where == "cutback":
            box.advance(0.5)
            weaken(box)
        for phase_us in PHASES_US:
            arm(box)
            pull(box, *PULLS[where])
            host.ride(0.2)
            assert host.state == "DRIVING"
            assert (host.limit == "CUTBACK") == (where == "cutback")
            phase = (box.pulses(LEFT)[-1][0] + 2 * FRAME_US + phase_us - us(box)) % FRAME_US
            opened_us = us(box) + FRAME_US + phase
            box.after((FRAME_US + phase) / 1e6, box.open_stop_loop)
            host.ride(0.6)
            for side in (LEFT, RIGHT):
                late = [rise + width - opened_us for rise, width in above_idle(box, side, opened_us)]
                assert max(late, default=0) <= WITHIN_US, phase_us
                assert box.pulse_us(side) == IDLE_US
                assert us(box) - box.pulses(side)[-1][0] <= 2 * FRAME_US  # idle pulses go on
            assert (host.state, host.cause) == ("HELD", "STOP_OPEN")
            unlock(box)
            host.ride(0.1)
            assert host.state == "LOCKED"
        assert host.status.overruns == 0


@pytest.mark.parametrize("open_ms", [1, 5, 19])
def test_a_loop_that_opens_for_less_than_a_step_stops_too(open_ms):
    with make_box() as box, Host(box) as host:
        box.advance(0.5)
        arm(box)
        pull(box, 800, 2)
        for phase_us in PHASES_US:
            box.after(phase_us / 1e6 + 0.02, box.open_stop_loop)
            box.after(phase_us / 1e6 + 0.02 + open_ms / 1000, box.close_stop_loop)
            opened_us = us(box) + phase_us + FRAME_US
            host.ride(0.3)
            assert (host.state, host.cause) == ("HELD", "STOP_OPEN")
            assert max(rise + width for rise, width in above_idle(box, LEFT)) <= opened_us + WITHIN_US
            unlock(box)
            arm(box)
            pull(box, 800, 2)


def test_the_loop_opened_during_the_arming_hold_leaves_it_locked():
    with make_box() as box, Host(box) as host:
        box.advance(0.5)
        box.open_stop_loop()
        box.advance(0.1)
        box.close_stop_loop()
        box.advance(1.5)
        box.press_arm_button()
        box.after(HOLD_MS / 1000 - 0.05, box.open_stop_loop)
        box.after(HOLD_MS / 1000 - 0.047, box.close_stop_loop)
        host.ride(3)
        assert host.state == "LOCKED" and "READY" not in host.states_seen()
        assert {width for _, width in box.pulses(LEFT)} == {IDLE_US}


def test_the_loop_opened_while_ready_is_held():
    with make_box() as box, Host(box) as host:
        box.advance(0.5)
        arm(box)
        host.ride(0.2)
        assert host.state == "READY"
        box.open_stop_loop()
        host.ride(0.3)
        assert (host.state, host.cause) == ("HELD", "STOP_OPEN")
        box.close_stop_loop()
        box.move_lever(700)
        host.ride(1)
        assert {width for _, width in box.pulses(LEFT)} == {IDLE_US}


@pytest.mark.parametrize("phase_us", PHASES_US)
def test_the_loop_opened_while_the_processor_stalls(phase_us):
    """Interrupts still run in a stall of Python: the loop does not wait for it."""
    with make_box(quick_values(watchdog_ms=2000)) as box:
        box.advance(0.5)
        arm(box)
        pull(box, 800, 2)
        box.stall_processor(0.5)
        opened_us = us(box) + FRAME_US + phase_us
        box.after((FRAME_US + phase_us) / 1e6, box.open_stop_loop)
        box.advance(1)
        for side in (LEFT, RIGHT):
            assert max(rise + width for rise, width in above_idle(box, side)) <= opened_us + WITHIN_US
