"""A first system test to copy from: the real firmware in a MicroPython VM, in virtual time."""

from barbox.demo.ride import example_rig
from barbox.sim.board import LEFT, RIGHT, SimBoard

IDLE_US = 1000


def test_thrust_follows_the_lever_and_ends_with_the_stop_loop():
    with SimBoard.from_rig(example_rig(), seed=7) as box:
        box.advance(2)  # boot
        box.arm()
        box.move_lever(600)
        box.advance(4)
        assert box.thrust_n(LEFT) > 30 and box.thrust_n(RIGHT) > 30

        opened_us = round(box.now_s * 1e6)
        box.open_stop_loop()
        box.advance(1)
        above_idle = [rise + width for rise, width in box.pulses(LEFT) if width > IDLE_US]
        assert above_idle[-1] <= opened_us + 25_000
        assert box.pulse_us(LEFT) == IDLE_US
