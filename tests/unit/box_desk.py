"""The parts of the box that decide, with the real Control, Controller, Requests and Store between them: a folder is the
flash, and the test moves the clock. An oracle (box_oracle) watches each step."""

from types import SimpleNamespace

from box_oracle import Oracle
from desk import POINTS, give_mv, lever_mv

import services.control
from core.controller import Controller
from services.beats import TASKS, Beats
from services.bench_requests import BenchRequests
from services.clock import Clock
from services.requests import Requests
from services.store import Store
from shared_proto.states import HELD, LOCKED

FRAME_US = 20000
TOKEN = 0x5EED  # of every bench run here, so that messages of an old run are tried, too


class Ticks:
    """In place of `time` in services.control."""

    def __init__(self):
        self.us = 0

    def ticks_us(self):
        return self.us

    @staticmethod
    def ticks_diff(a, b):
        return a - b


class Pulses:
    """In place of the pulse output: what each side was last handed."""

    def __init__(self):
        self.idle_us = [1000] * 3
        self.us = [0] * 3

    def start(self):
        self.us = list(self.idle_us)

    def write(self, side, us):
        self.us[side] = us


class DeskBox:
    """A box with its world: hands, wires, tasks. `flash`: a folder, with settings in it."""

    def __init__(self, flash):
        self.flash = flash
        self.ticks = Ticks()
        self._kept = services.control.time, services.control.asyncio
        services.control.time = self.ticks  # type: ignore[assignment]
        services.control.asyncio = SimpleNamespace(ThreadSafeFlag=lambda: SimpleNamespace(set=lambda: None))  # type: ignore[assignment]
        self.let_go_of_everything()
        self.power_up()

    def close(self):
        services.control.time, services.control.asyncio = self._kept

    def let_go_of_everything(self):
        self.position = {"a": 0, "b": 0}
        self.closed = True
        self.pressed = self.braking = False
        self.at_rest_switch = True
        self.supply_mv = 5000
        self.wires = dict.fromkeys([n for n, _, _ in POINTS], 3900)  # mV a cell, 0 cut, None silent
        self.dead_tasks: set[int] = set()

    def power_up(self):
        """As firmware/box.py does, from what is on the flash."""
        self.store = Store(self.flash + "/")
        self.store.load()
        self.controller = Controller()
        self.pulses = Pulses()
        self.beats = Beats()
        self.control = services.control.Control(self.controller, [self], self.pulses, self.beats)
        self.requests = Requests(self.control, self.store, Clock(), b"desk", b"0", 0, lambda: 0, 0)
        self.requests.wired_only = BenchRequests(self.controller, lambda: TOKEN).do
        self.control.configure(self.store.values)
        self.control.start(1000)
        assert self.controller.interlock.state == LOCKED and self.pulses.us[:2] == self.idle_us
        self.oracle = Oracle(self)

    @property
    def values(self):
        return self.store.values

    @property
    def idle_us(self):
        return [self.values.get("side.idle_us", side) for side in range(2)]

    @property
    def state(self):
        """Of the step before, as the oracle saw it."""
        return self.oracle.state

    def read(self, inputs):
        """A driver, for all inputs."""
        for n, _, cells in POINTS:
            if self.wires[n] is not None:
                give_mv(inputs, n, self.wires[n] * cells)
        lever_mv(inputs, self.position["a"])
        a_mv = inputs.lever_a_mv
        lever_mv(inputs, self.position["b"])
        inputs.lever_a_mv = a_mv
        inputs.stop_closed, inputs.button, inputs.brake = self.closed, self.pressed, self.braking
        inputs.lever_switch, inputs.supply_mv = self.at_rest_switch, self.supply_mv
        inputs.stop_tripped |= self._trip

    def tick(self, dt_us=FRAME_US, trip=False):
        """One step, `dt_us` after the one before; `trip`: the stop loop opened and closed in between."""
        self.ticks.us += dt_us
        self._trip = trip
        counted_us = min(dt_us, 100_000)  # a longer gap counts as this: no ramp jumps
        for task in range(len(TASKS)):
            if task not in self.dead_tasks:
                self.beats.beat(task, self.controller.now_ms)
        self.oracle.note(counted_us, trip)
        self.control._tick(None)
        while self.controller.events.take() is not None:
            pass
        assert self.control.failed is None
        interlock = self.controller.interlock
        assert interlock.state != HELD or interlock.cause
        self.oracle.check(interlock.state, self.controller.outputs.demand_pm, self.pulses.us[:2], counted_us, trip)
