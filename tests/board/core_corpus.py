"""Pseudo-random steps of the core, the same on CPython and in the MicroPython VM. Prints a line for each step.

Runs on both. In the VM each step is taken under `heap_lock`, where any allocation raises MemoryError.
"""

import sys

import micropython

from core.controller import Controller
from shared_proto.settings import Values

lock = getattr(micropython, "heap_lock", lambda: None)
unlock = getattr(micropython, "heap_unlock", lambda: None)

POINTS = ((0, 1, 5), (1, 1, 10), (4, 2, 5), (5, 2, 10))


class Dice:
    """A linear congruential generator (Numerical Recipes, from memory), in integers that both VMs have."""

    def __init__(self, seed):
        self.x = seed

    def below(self, n):
        self.x = (1664525 * self.x + 1013904223) & 0xFFFFFFFF
        return (self.x >> 8) % n


def settings(dice):
    values = Values()
    values.put("rig", b"corpus")
    for n in range(8):
        values.put("sense.side", 0, n)
    for n, side, cells in POINTS:
        values.put("sense.side", side, n)
        values.put("sense.cells", cells, n)
        values.put("sense.nv_per_count", 1400000 + dice.below(700000) if n & 1 else 2000000, n)
        values.put("sense.nominal_nv", values.get("sense.nv_per_count", n), n)
        values.put("sense.offset_mv", dice.below(41) - 20, n)
        values.put("sense.calibrated", 1, n)
    for side in range(2):
        values.put("side.cells", 10, side)
        values.put("side.proven", 1, side)
        values.put("side.idle_us", 900 + dice.below(300), side)
        values.put("side.curve", (0, 316, 447, 548, 632, 707, 775, 837, 894, 949, 1000), side)
    values.put("arm_hold_ms", 500)
    values.put("bench_rest_ms", 1000)
    values.put("bench_cap_pm", 800)
    values.put("esc_idle_ms", 1000)
    values.put("ramp_up_ms", 500 + dice.below(3000))
    values.put("together", dice.below(2))
    return values


class Run:
    def __init__(self, seed, say):
        self.dice = Dice(seed)
        self.beats = -1  # steps of a host that beats, -1 for none
        self.say = say
        self.controller = Controller()
        self.values = settings(self.dice)
        self.controller.configure(self.values)
        self.inputs = self.controller.inputs
        self.lever = 0
        self.cell_mv = [3900, 3900]
        self.wire = [1] * 8
        self.sag = 0

    def step(self):
        dice = self.dice
        inputs = self.inputs
        for n, side, cells in POINTS:
            if self.wire[n] != 2:  # 0 cut, 1 well, 2 silent
                mv = (self.cell_mv[side - 1] - self.sag + dice.below(9)) * cells * self.wire[n]
                code = 1000000 * mv // self.values.get("sense.nv_per_count", n)
                inputs.code[n] = code if code < 32767 else 32767
                inputs.reading[n] = (inputs.reading[n] + 1) & 0x3FFF
        inputs.lever_a_mv = 550 + 22 * self.lever // 10 + dice.below(5)
        inputs.lever_b_mv = 275 + 11 * self.lever // 10 + dice.below(5)
        if dice.below(150) == 0:
            inputs.lever_a_mv = 3300
        dt_us = 20000 + (dice.below(6001) - 3000 if dice.below(40) else dice.below(120000))
        controller = self.controller
        lock()
        try:
            if self.beats >= 0:
                self.beats += 1
                if self.beats % 4 == 0:
                    controller.bench.take_beat()
            controller.step(dt_us)
        finally:
            unlock()
        self.sag = controller.outputs.demand_pm // 4
        self.show()

    def show(self):
        c = self.controller
        out = c.outputs
        i = c.interlock
        if c.bench.phase:
            self.say("bench", c.bench.phase, c.bench.side, c.bench.steps, c.bench.end, c.bench.left_ms())
        self.say(c.now_ms, i.state, i.cause, i.waits, out.limit, out.limit_pm, out.warnings,
                 out.lever_pm, out.demand_pm, list(out.pulse_us), list(c.sense.mv), list(c.sense.fault),
                 list(c.strings.section_mv), c.strings.weakest, c.strings.weakest_cell_mv, c.overruns)
        while True:
            event = c.events.take()
            if event is None:
                return
            self.say("event", *event)

    def many(self, count):
        for _ in range(count):
            self.step()

    def arm(self):
        inputs = self.inputs
        self.lever = 0
        self.wire = [1] * 8
        self.cell_mv = [3900, 3900]
        inputs.stop_closed = False
        self.many(3)
        inputs.stop_closed = True
        inputs.button = False
        inputs.tasks_fresh = True
        self.many(5)
        inputs.button = True  # out of HELD
        self.many(2)
        inputs.button = False
        self.many(60)
        inputs.button = True
        self.many(32)
        inputs.button = False
        self.many(2)

    def ride(self, rounds):
        dice = self.dice
        for _ in range(rounds):
            if self.controller.interlock.state in (0, 3):
                self.arm()
            what = dice.below(12)
            if what < 5:
                self.lever = dice.below(1060)
            elif what == 5:
                self.wire[POINTS[dice.below(4)][0]] = dice.below(3)
            elif what == 6:
                self.wire = [1] * 8
            elif what == 7:
                self.cell_mv[dice.below(2)] = 3350 + dice.below(900)
            elif what == 8 and dice.below(3) == 0:
                self.inputs.stop_tripped = True
            elif what == 9 and dice.below(3) == 0:
                self.inputs.tasks_fresh = False
            elif what == 10 and dice.below(2) == 0:
                self.lever = 1500  # beyond any end point
            elif what == 11 and dice.below(2) == 0:
                self.wire[0] = self.wire[1] = 0
                self.many(60)
            self.many(3 + dice.below(30))


    def bench_run(self, steps):
        """A bench run: each kind of step, held and let go, with a fault or a silent host now and then."""
        dice = self.dice
        bench = self.controller.bench
        for n in range(steps):
            if self.controller.interlock.state != 4:
                self.beats = -1
                self.arm()  # out of HELD, with the stop loop shown; ends READY
                self.press(2)
                self.many(60)
                bench.take_ask(1)
                self.beats = 0
                self.many(3)
                self.press(32)
                self.many(60)
            bench.take_step(n % 3, 1 + n % 2, 1000 if n % 3 == 2 else 100 + dice.below(900), 500 + dice.below(3000))
            self.many(4)
            if n % 3 == 2:
                self.press(3)
                self.many(3)
            self.inputs.button = True
            self.many(20 + dice.below(150))
            what = dice.below(8)
            if what == 0:
                self.inputs.stop_tripped = True
            elif what == 1:
                self.beats = -1
            elif what == 2:
                self.cell_mv[0] = 3200
            elif what == 3:
                bench.take_drop()
            self.many(20)
            self.inputs.button = False
            self.cell_mv = [3900, 3900]
            self.many(60)
        bench.take_end()
        self.many(5)

    def press(self, steps):
        self.inputs.button = True
        self.many(steps)
        self.inputs.button = False
        self.many(2)


def main(say):
    for seed in (1, 2, 3):
        Run(seed, say).ride(45)
    Run(4, say).bench_run(12)
    ring(say)


def ring(say):
    """The ring of events over its end and beyond its room, under the lock as well."""
    events = Controller().events
    for n in range(200):
        lock()
        try:
            events.add(n, n % 10, n, n + 1)
        finally:
            unlock()
        if n % 3 == 0:
            say("ring", events.take(), events.lost)
    say("lost", events.lost)


if __name__ == "__main__":
    main(print)
    sys.exit(0)
