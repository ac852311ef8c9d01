"""Runs in the MicroPython VM, and on CPython for a count of operations: a box that drives, to be stepped.

`step_in_vm.py time STEPS` prints microseconds of one step; `step_in_vm.py count STEPS` only takes the steps, for a
count of instructions from outside. `Bench` is what both step.
"""

import sys
import time

from core.controller import Controller
from shared_proto.settings import Values
from shared_proto.states import DRIVING

POINTS = ((0, 1, 5), (1, 1, 10), (4, 2, 5), (5, 2, 10))  # sense input, side from 1, cells below


class Bench:
    """Two sides of two sections each, both tracks of the lever at 60 %, ramps done, driving."""

    def __init__(self):
        values = Values()
        values.put("rig", b"bench")
        values.put("sense.side", 0, 2)
        for side in range(2):
            values.put("side.cells", 10, side)
            values.put("side.proven", 1, side)
        for n, side, cells in POINTS:
            values.put("sense.side", side, n)
            values.put("sense.cells", cells, n)
        self.controller = Controller()
        self.controller.configure(values)
        inputs = self.controller.inputs
        self.steps(20, 0)
        inputs.stop_closed = True
        self.steps(300, 0)
        inputs.button = True
        self.steps(80, 0)
        inputs.button = False
        self.steps(150, 600)
        assert self.controller.interlock.state == DRIVING, "not driving: the bench would measure an idle step"

    def feed(self, k, lever_pm):
        """As the drivers do: one new reading of each ADC in each step."""
        inputs = self.controller.inputs
        for j in (k & 1, 2 + (k & 1)):
            n = POINTS[j][0]
            inputs.code[n] = (19000 if n & 1 else 9500) + (k >> 1 & 7)
            inputs.reading[n] = (inputs.reading[n] + 1) & 0x3FFF
        inputs.lever_a_mv = 550 + 22 * lever_pm // 10
        inputs.lever_b_mv = 275 + 11 * lever_pm // 10

    def steps(self, count, lever_pm):
        step = self.controller.step
        for k in range(count):
            self.feed(k, lever_pm)
            step(20000)

    def only_feeds(self, count, lever_pm):
        for k in range(count):
            self.feed(k, lever_pm)


def timed_us(work, count):
    began = time.ticks_us()
    work(count, 600)
    return time.ticks_diff(time.ticks_us(), began) / count


if __name__ == "__main__":
    what, count = sys.argv[1], int(sys.argv[2])
    bench = Bench()
    if what == "time":
        print(timed_us(bench.steps, count) - timed_us(bench.only_feeds, count))
    elif what == "steps":
        bench.steps(count, 600)
    else:
        bench.only_feeds(count, 600)
