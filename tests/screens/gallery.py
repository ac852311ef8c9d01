"""Draws screens of a made-up state of the box, one after another; runs in the MicroPython VM.

Prints a name and the 1,024 bytes of the display's memory, in hexadecimal, for each.
"""

from binascii import hexlify

from core.controller import Controller
from services.screens import Screens
from shared_proto import states as s
from shared_proto.settings import Values


class Display:
    def __init__(self):
        self.buffer = bytearray(1024)


def box(sides=2, taps=(5, 10), cell_mv=(3820, 3790), rig=b"trike"):
    """A controller of a rig whose sections have these cells (from the bottom of each string) and means."""
    values = Values()
    values.put("sides", sides)
    values.put("rig", rig)
    n = 0
    for side in range(sides):
        values.put("side.cells", taps[-1], side)
        for cells in taps:
            values.put("sense.side", side + 1, n)
            values.put("sense.cells", cells if rig else 0, n)
            n += 1
    for unused in range(n, 8):
        values.put("sense.side", 0, unused)
    c = Controller()
    c.configure(values)
    c.inputs.stop_closed = True
    n = 0
    for side in range(sides):
        top_mv = below = 0
        for cells in taps:
            c.strings.section_mv[n] = (cells - below) * cell_mv[side % len(cell_mv)]
            top_mv += c.strings.section_mv[n]
            c.sense.mv[n] = top_mv
            below = cells
            n += 1
    c.strings.weakest = 0
    return c


def locked(waits, warnings=0, **rig):
    c = box(**rig)
    c.interlock.waits = waits
    c.outputs.warnings = warnings
    return c


def driving(demand_pm=450, limit=s.LIMIT_NONE, limit_pm=1000, warnings=0, **rig):
    c = box(**rig)
    c.interlock.state = s.DRIVING if demand_pm else s.READY
    c.outputs.demand_pm = demand_pm
    c.outputs.limit = limit
    c.outputs.limit_pm = limit_pm
    c.outputs.warnings = warnings
    return c


def lost(c, n):
    """Sense input `n` of a string with two is lost: a lost tap leaves one section, a lost top the lower one."""
    c.sense.fault[n] = s.SENSE_OPEN
    c.sense.mv[n] = c.strings.section_mv[n] = 65535
    if n % 2 == 0:
        c.strings.section_mv[n + 1] = c.sense.mv[n + 1]
    return c


def held(cause, gone):
    c = box()
    c.interlock.state = s.HELD
    c.interlock.cause = cause
    c.inputs.stop_closed = gone
    c.lever.cause = s.CAUSE_NONE if gone else cause
    c.strings.blind = c.limits.conditions.supply_low = not gone
    return c


def bench(phase, side=1, pm=0, left_ms=8400):
    c = box()
    c.interlock.state = s.BENCH
    c.bench.phase = phase
    c.bench.side = side
    c.bench.left_ms = lambda: left_ms
    c.outputs.demand_pm = pm
    return c


def show(name, c, rounds=1):
    display = Display()
    screens = Screens(c, display)
    for _ in range(rounds):
        screens.draw()
    print(name, hexlify(display.buffer).decode())


FOUR = {"sides": 4, "taps": (5, 10), "cell_mv": (3820, 3790, 3805, 3650)}

for n in range(1, len(s.WAITS)):
    show("locked_" + s.WAITS[n][0].lower(), locked(n, rig=b"" if n == s.WAIT_NO_RIG else b"trike"))
show("locked_warning", locked(s.WAIT_STOP_TEST, s.WARN_LOW | s.WARN_UNCALIBRATED, cell_mv=(3820, 3540)), 5)
show("locked_quiet_warning", locked(s.WAIT_STOP_TEST, s.WARN_LOW | s.WARN_UNCALIBRATED, cell_mv=(3820, 3540)), 9)
for last in (s.CAUSE_SENSING_LOST, s.CAUSE_TASK_SILENT, 0x80):
    c = locked(s.WAIT_STOP_TEST, s.WARN_LAST_STOP)
    c.warnings.last_stop = last
    show(f"locked_last_stop_{last}", c, 5)
show("locked_four_sides", locked(s.WAIT_BUTTON, **FOUR))
show("locked_one_side", locked(s.WAIT_BUTTON, sides=1))
show("locked_high_strings", locked(s.WAIT_NO_RIG, rig=b"", taps=(14,), cell_mv=(8300, 8290)))
show("locked_lost_top", lost(locked(s.WAIT_SELF_CHECK), 1))
show("ready", driving(0))
show("driving", driving())
show("driving_full", driving(1000))
show("driving_ramp", driving(450, s.LIMIT_RAMP, 1000))
show("driving_unproven", driving(300, s.LIMIT_UNPROVEN, 300, s.WARN_UNCALIBRATED | s.WARN_UNPROVEN))
show("driving_uncalibrated", driving(300, warnings=s.WARN_UNCALIBRATED))
show("driving_low", driving(warnings=s.WARN_LOW, cell_mv=(3510, 3600)))
show("driving_very_low", driving(warnings=s.WARN_LOW | s.WARN_VERY_LOW, cell_mv=(3410, 3600)))
show("driving_cutback", driving(380, s.LIMIT_CUTBACK, 380, s.WARN_LOW | s.WARN_CUTBACK, cell_mv=(3360, 3600)))
show("driving_cutback_low", driving(380, s.LIMIT_CUTBACK, 380, s.WARN_LOW | s.WARN_CUTBACK, cell_mv=(3360, 3600)), 5)
show("driving_sense", lost(driving(300, s.LIMIT_SENSE, 300, s.WARN_SENSE), 2))
show("driving_lost_top", lost(driving(300, s.LIMIT_SENSE, 300, s.WARN_SENSE), 3))
show("driving_side", driving(200, s.LIMIT_SIDE, 200, s.WARN_SIDE))
show("driving_over_voltage", driving(0, warnings=s.WARN_OVER_VOLTAGE, cell_mv=(4290, 4180)))
show("driving_single_track", driving(400, s.LIMIT_SINGLE_TRACK, 400))
show("driving_four_sides", driving(620, warnings=s.WARN_LOW, **FOUR))
show("driving_one_side", driving(620, sides=1))
show("driving_fourteen_cells", driving(620, taps=(7, 14), cell_mv=(4200, 4190)))
for n in range(1, len(s.CAUSES)):
    show("held_" + s.CAUSES[n][0].lower(), held(n, False))
    show("held_" + s.CAUSES[n][0].lower() + "_gone", held(n, True))
for n in (s.CAUSE_BENCH_HOST, s.CAUSE_GROUND, s.CAUSE_LATE):
    show("held_" + s.CAUSES[n][0].lower() + "_next_turn", held(n, False), 5)
for n in range(s.BENCH_RESTING, len(s.BENCH_PHASES)):
    show("bench_" + s.BENCH_PHASES[n][0].lower(), bench(n, pm=150 if n >= s.BENCH_RUNNING else 0))
show("bench_all_full", bench(s.BENCH_RUNNING, 0, 1000, 12900))
show("bench_all_waiting", bench(s.BENCH_WAITING, 0, 0, 59000))
