"""Random steps of the core over random rigs, the same on CPython and in the MicroPython VM.

Runs on both: `core_random.py STEPS SEED`. After every thousand steps, each rig's share, it prints a CRC of all that
the steps decided, believed and told, and at the end what the steps went through. In the VM each step is taken
under `heap_lock`, where any allocation raises MemoryError. All that is random comes from one integer generator.
"""

import sys
from array import array
from binascii import crc32
from struct import pack

import micropython

from core.controller import Controller
from shared_proto.settings import CURRENT, NEGATIVE, Values, conflict

lock = getattr(micropython, "heap_lock", lambda: None)
unlock = getattr(micropython, "heap_unlock", lambda: None)

STEPS_A_RIG = 1000


class Dice:
    """A linear congruential generator (Numerical Recipes, from memory), in integers that both VMs have."""

    def __init__(self, seed):
        self.x = seed

    def below(self, n):
        self.x = (1664525 * self.x + 1013904223) & 0xFFFFFFFF
        return (self.x >> 8) % n

    def one_in(self, n):
        return self.below(n) == 0


def random_rig(dice):
    """Settings that the box would accept, and the sense inputs of each side as (input, kind, cells)."""
    values = Values()
    put = values.put
    put("rig", b"random")
    sides = (1, 2, 2, 2, 3, 4)[dice.below(6)]
    put("sides", sides)
    for n in range(8):
        put("sense.side", 0, n)
    wired = []
    free = [0, 4, 1, 5, 2, 6, 3, 7]
    for side in range(sides):
        top = 2 + dice.below(12)
        put("side.cells", top, side)
        put("side.proven", 0 if dice.one_in(8) else 1, side)
        put("side.idle_us", 900 + dice.below(300), side)
        put("side.full_us", 1800 + dice.below(300), side)
        if dice.one_in(2):
            put("side.curve", (0, 316, 447, 548, 632, 707, 775, 837, 894, 949, 1000), side)
        inputs = [(0, top)]
        room = 8 // sides - 1
        if room and dice.below(4):
            inputs.append((0, 1 + dice.below(top - 1)))
        for kind in (NEGATIVE, CURRENT):
            if len(inputs) <= room and dice.one_in(3):
                inputs.append((kind, 0))
        for kind, cells in inputs:
            n = free.pop(0)
            wired.append((n, side, kind, cells))
            put("sense.side", side + 1, n)
            put("sense.kind", kind, n)
            put("sense.cells", cells, n)
            put("sense.nv_per_count", 1400000 + dice.below(700000), n)
            put("sense.nominal_nv", values.get("sense.nv_per_count", n), n)
            put("sense.offset_mv", dice.below(41) - 20, n)
            put("sense.calibrated", dice.below(2), n)
    put("arm_hold_ms", 500)
    put("esc_idle_ms", 1000)
    put("ramp_up_ms", 500 + dice.below(3000))
    put("ramp_down_ms", 100 + dice.below(1900))
    put("lever_tracks", 1 + dice.below(2))
    put("lever_dead_pm", 10 + dice.below(190))
    for name in ("together", "sense_policy", "lever_switch", "brake"):
        put(name, dice.below(2))
    put("unproven_cap_pm", 100 + dice.below(200))
    put("single_track_cap_pm", 200 + dice.below(400))
    put("supply_min_mv", (0, 4500)[dice.below(2)])
    if dice.one_in(3):
        put("wheel_mm", 2000)
        put("fade_from_dmh", 250)
        put("fade_to_dmh", 260 + dice.below(200))
    if conflict(values):
        raise ValueError(conflict(values))
    return values, wired


class Ride:
    """One rig through random hands and faults; `crc` runs over all that came out, `seen` is what was met."""

    def __init__(self, dice, seen):
        self.dice = dice
        self.seen = seen
        self.crc = 0
        self.values, self.wired = random_rig(dice)
        self.nv_per_count = [self.values.get("sense.nv_per_count", n) for n in range(8)]
        self.controller = Controller()
        self.controller.configure(self.values)
        self.inputs = self.controller.inputs
        self.asked = 0  # which of the inputs gets the next reading
        self.late = 0  # steps to come that come late
        self.mend()
        if dice.one_in(2):  # a press before anything was shown to work
            self.inputs.button = self.inputs.brake = dice.one_in(2)
            self.inputs.supply_mv -= 1000 * dice.below(2)
            self.cell_mv = [3300 + 500 * dice.below(3)] * 4
            self.many(70)

    def mend(self):
        inputs = self.inputs
        self.wire = [1] * 8  # 0 cut, 1 well, 2 silent, 3 short of cells, 4 divider off
        self.cell_mv = [3900] * 4
        self.lever_pm = self.apart_pm = 0
        inputs.stop_closed = inputs.tasks_fresh = inputs.lever_switch = True
        inputs.button = inputs.brake = False
        inputs.supply_mv = 5000
        inputs.speed_dmh = 0

    def read(self):
        """As the drivers do: two of the inputs get a new reading in each step."""
        dice = self.dice
        inputs = self.inputs
        demand_pm = self.controller.outputs.demand_pm
        for _ in range(2):
            self.asked = self.asked + 1 if self.asked + 1 < len(self.wired) else 0
            n, side, kind, cells = self.wired[self.asked]
            wire = self.wire[n]
            if wire == 2:
                continue
            if kind == NEGATIVE:
                mv = -demand_pm // 8 - dice.below(5)
            elif kind == CURRENT:
                mv = 9 * demand_pm
            else:
                part = cells if wire != 3 else (6 * cells + 9) // 10
                mv = (self.cell_mv[side] - demand_pm // 4 + dice.below(9)) * part
            if wire == 0:
                mv = 0
            elif wire == 4:
                mv = 3 * mv // 2
            code = 1000000 * mv // self.nv_per_count[n]
            inputs.code[n] = code if code < 32767 else 32767
            inputs.reading[n] = (inputs.reading[n] + 1) & 0x3FFF
        noise = dice.below(256)
        inputs.lever_a_mv = 550 + 22 * self.lever_pm // 10 + (noise & 7)
        inputs.lever_b_mv = 275 + 11 * (self.lever_pm + self.apart_pm) // 10 + (noise >> 5)
        if self.dice.one_in(200):
            inputs.lever_a_mv = 3300

    def step(self):
        self.read()
        dice = self.dice
        dt_us = 17000 + dice.below(6001) if dice.below(60) else dice.below(120000)
        if self.late:
            self.late -= 1
            dt_us = 41000
        step = self.controller.step
        lock()
        try:
            step(dt_us)
        finally:
            unlock()
        self.digest()

    def digest(self):
        c = self.controller
        out = c.outputs
        i = c.interlock
        strings = c.strings
        sense = c.sense
        crc = self.crc
        for numbers in (
            out.pulse_us, sense.mv, sense.fault, sense.negative_mv, sense.current_da,
            strings.section_mv, strings.section_cells, strings.side_cell_mv, strings.top_mv, c.limits.side_pm,
        ):  # fmt: skip
            crc = crc32(array("i", numbers), crc)
        crc = crc32(pack("<20i", c.now_ms, i.state, i.cause, i.waits, out.limit, out.limit_pm, out.warnings,
                         out.lever_pm, out.demand_pm, strings.weakest, strings.weakest_cell_mv,
                         strings.highest_cell_mv, strings.blind, c.balance.side_idle, self.inputs.again,
                         c.overruns, c.lever.pm, c.lever.at_rest, c.lever.cause, c.limits.cutback_pm), crc)  # fmt: skip
        event = c.events.take()
        while event is not None:
            crc = crc32(pack("<4i", *event), crc)
            event = c.events.take()
        self.crc = crc
        self.seen[0] |= 1 << i.state
        self.seen[1] |= 1 << i.cause
        self.seen[2] |= 1 << i.waits
        self.seen[3] |= 1 << out.limit
        self.seen[4] |= out.warnings
        for fault in sense.fault:
            self.seen[5] |= 1 << fault

    def many(self, count):
        for _ in range(count):
            self.step()
        return count

    def arm(self):
        """The whole order of arming, all wires whole; out of HELD first."""
        inputs = self.inputs
        self.mend()
        inputs.stop_closed = False
        done = self.many(4)
        inputs.stop_closed = True
        done += self.many(24)  # long enough for a sense point to be believed again
        inputs.button = True
        done += self.many(2)
        inputs.button = False
        done += self.many(60)
        inputs.button = True
        done += self.many(32)
        inputs.button = False
        return done

    def ride(self, steps):
        dice = self.dice
        inputs = self.inputs
        done = 0
        while done < steps:
            if self.controller.interlock.state in (0, 3):
                done += self.arm()
            what = dice.below(16)
            if what < 6:
                self.lever_pm = dice.below(1060)
                inputs.lever_switch = self.lever_pm < 100
            elif what == 6:
                self.wire[dice.below(8)] = dice.below(5)
            elif what == 7:
                self.wire = [1] * 8
            elif what == 8:
                self.cell_mv[dice.below(4)] = 3350 + dice.below(1000)
            elif what == 9:
                inputs.stop_tripped = dice.one_in(3)
            elif what == 10:
                inputs.tasks_fresh = not dice.one_in(4)
            elif what == 11:
                self.apart_pm = dice.below(200) if dice.one_in(2) else 0
            elif what == 12:
                inputs.brake = dice.one_in(2)
                self.lever_pm = 0
            elif what == 13:
                inputs.supply_mv = 4000 if dice.one_in(3) else 5000
            elif what == 14:
                inputs.speed_dmh = dice.below(500)
            elif dice.one_in(6):
                self.late = 20
            elif dice.one_in(3):
                self.wire = [dice.below(2)] * 8
                done += self.many(60)
            done += self.many(3 + dice.below(40))
        return done


def main(say, steps, seed):
    dice = Dice(seed)
    seen = [0] * 6
    done = 0
    while done < steps:
        ride = Ride(dice, seen)
        done += ride.ride(STEPS_A_RIG)
        say(done, ride.crc)
    say("seen", *seen)


if __name__ == "__main__":
    main(print, int(sys.argv[1]), int(sys.argv[2]))
