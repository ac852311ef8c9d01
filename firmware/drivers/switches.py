"""Stop loop, arm button, brake and rest switch: contacts to ground with the pins pulled up.

The stop loop is normally closed, so an open loop or a broken wire reads high. Its interrupt is a hard one: it
runs whatever Python is doing, needs no heap, and hands idle words to the pulse output at once.
"""

from machine import Pin


class Switches:
    def __init__(self, stop_pin, arm_pin, brake_pin, rest_pin, inputs, pulses):
        self._inputs = inputs
        self._pulses = pulses
        self._stop = Pin(stop_pin, Pin.IN, Pin.PULL_UP)
        self._arm = Pin(arm_pin, Pin.IN, Pin.PULL_UP)
        self._brake = Pin(brake_pin, Pin.IN, Pin.PULL_UP)
        self._rest = Pin(rest_pin, Pin.IN, Pin.PULL_UP)
        self._stop.irq(self._opened, Pin.IRQ_RISING, hard=True)

    def _opened(self, _):
        self._inputs.stop_tripped = True
        self._pulses.all_idle()

    def read(self, inputs):
        inputs.stop_closed = self._stop.value() == 0
        inputs.button = self._arm.value() == 0
        inputs.brake = self._brake.value() == 0
        inputs.lever_switch = self._rest.value() == 0
