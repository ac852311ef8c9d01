"""Runs in the MicroPython VM: prints microseconds of one step and of three operations to scale it by."""

import time

from core.controller import Controller
from shared_proto.settings import Values

values = Values()
values.put("rig", b"bench")
for side in range(2):
    values.put("side.cells", 10, side)
    values.put("side.proven", 1, side)
for n, side, cells in ((0, 1, 5), (1, 1, 10), (4, 2, 5), (5, 2, 10)):
    values.put("sense.side", side, n)
    values.put("sense.cells", cells, n)
values.put("sense.side", 0, 2)
controller = Controller()
controller.configure(values)
inputs = controller.inputs
INPUTS = (0, 1, 4, 5)


def step(count, lever):
    for k in range(count):
        for j in (k & 1, 2 + (k & 1)):
            n = INPUTS[j]
            inputs.code[n] = 19000 if n & 1 else 9500
            inputs.reading[n] = (inputs.reading[n] + 1) & 0x3FFF
        inputs.lever_a_mv = 550 + 22 * lever // 10
        inputs.lever_b_mv = 275 + 11 * lever // 10
        controller.step(20000)


def only_inputs(count):
    for k in range(count):
        for j in (k & 1, 2 + (k & 1)):
            n = INPUTS[j]
            inputs.code[n] = 19000 if n & 1 else 9500
            inputs.reading[n] = (inputs.reading[n] + 1) & 0x3FFF
        inputs.lever_a_mv = 550 + 22 * 600 // 10
        inputs.lever_b_mv = 275 + 11 * 600 // 10


class Thing:
    def __init__(self):
        self.x = 0

    def attributes(self, count):
        for _ in range(count):
            self.x = self.x
            self.x = self.x
            self.x = self.x
            self.x = self.x

    def method(self, a, b):
        pass

    def calls(self, count):
        for _ in range(count):
            self.method(1, 2)

    def arithmetic(self, count):
        a = 3
        for _ in range(count):
            a = (a * 5 + 1) & 0xFFFF
            a = (a * 5 + 1) & 0xFFFF

    def nothing(self, count):
        for _ in range(count):
            pass


def timed(f, *args):
    began = time.ticks_us()
    f(*args)
    return time.ticks_diff(time.ticks_us(), began) / args[0]


inputs.stop_closed = False
step(20, 0)
inputs.stop_closed = True
step(300, 0)
inputs.button = True
step(80, 0)
inputs.button = False
step(20, 600)
assert controller.interlock.state == 2, "not driving: the bench would measure an idle step"
thing = Thing()
loop = timed(thing.nothing, 100000)
print(
    timed(step, 20000, 600) - timed(only_inputs, 20000),
    (timed(thing.attributes, 50000) - loop) / 4,
    timed(thing.calls, 100000) - loop,
    (timed(thing.arithmetic, 100000) - loop) / 2 * 2 / 3,  # multiply, add of three operations
)
