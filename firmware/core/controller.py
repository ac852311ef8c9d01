"""The control step: inputs to outputs, once every 20 ms, in integers, without allocating.

A pure function of its inputs, the measured time since the last step and its own state. It reads no clock and
touches no pin, so the same file runs on the board, on the simulated board and under a test on the desk.
"""

import micropython
from micropython import const

from core.balance import Balance
from core.bench import Bench
from core.curve import Curve
from core.events import Events
from core.inputs import Inputs, Outputs
from core.interlock import Interlock
from core.lever import Lever
from core.limits import Limits
from core.sense import NEW_FAULT, Sense
from core.string import Strings
from core.stuck import Stuck
from core.uneven import Uneven
from core.warnings import Warnings
from shared_proto.messages import NOT_KNOWN_MV, SENSES_MAX, SIDES_MAX
from shared_proto.settings import ends_wait, in_force_us
from shared_proto.states import (
    BENCH,
    CAUSE_BENCH_HOST,
    CAUSE_GROUND,
    CAUSE_LATE,
    CAUSE_NONE,
    CAUSE_SENSING_LOST,
    CAUSE_STEP_FAILED,
    CAUSE_STOP_OPEN,
    CAUSE_SUPPLY,
    DRIVING,
    EVENT_LIMIT,
    EVENT_OVERRUN,
    EVENT_SENSE,
    HELD,
    LIMIT_ARMING,
    LIMIT_BENCH,
    LIMIT_RAMP,
    LOCKED,
    READY,
    SENSE_OK,
    SENSE_PART,
    SENSE_SILENT,
    WAIT_BRAKE,
    WAIT_NO_RIG,
    WAIT_NOTHING,
    WAIT_PACK_HIGH,
    WAIT_PACK_LOW,
    WAIT_RESTART,
    WAIT_SELF_CHECK,
    WAIT_SUPPLY,
)

FRAME_US = 20000  # one servo frame
_DT_MIN_US = const(1000)
_DT_MAX_US = const(100000)  # a longer gap is counted as this: a ramp never jumps
_WARN_MS = const(100)  # warnings are looked at this often; what is urgent does not wait for them
_SUPPLY_STEPS = const(3)  # steps with a low supply before it counts: a spike does not
_LATE_MOST = const(25)  # overruns in a row of steps (each good step pays one back) that end in HELD
_TOLD_MS = const(2000)  # a limit is told at most once in this: one that comes and goes would fill the log
_TIME_MASK = const(0x3FFFFFFF)  # a small integer on the board; wraps after 12.4 days


class Controller:
    """Owns the core objects and their order. `configure` may allocate; `step` does not."""

    def __init__(self):
        self.inputs = Inputs()
        self.outputs = Outputs()
        self.events = Events()
        self.sense = Sense()
        self.strings = Strings()
        self.lever = Lever()
        self.limits = Limits()
        self.balance = Balance()
        self.bench = Bench(self.events)
        self.interlock = Interlock(self.events, self.bench)
        self.uneven = Uneven()
        self.stuck = Stuck()
        self.warnings = Warnings(self.events)
        self.curves = [Curve() for _ in range(SIDES_MAX)]
        self.idle_us = [1000] * SIDES_MAX
        self.now_ms = 0
        self.overruns = 0
        self.sides = 1
        self.rest_cell_mv = NOT_KNOWN_MV  # the weakest section at rest, as an estimator believes; set by a task
        self.short_of_pulses = False  # the rig has more sides than pulse outputs were made at the start
        self._ends_wait = False  # new end points take force at the next power-on
        self._has_rig = False
        self._extras = False  # any of brake, wheel, sensed supply
        self._brake_fitted = False
        self._supply_min_mv = 0
        self._supply_low = 0
        self._floor_mv = 0
        self._us = 0
        self._late = 0
        self._behind_us = 0  # how much later than ever steps come; a whole frame of it is a step that was left out
        self._lost = 0  # see _sense_lost
        self._ground_open = False  # stands until thrust has gone: without current it cannot be seen
        self._warned_ms = 0
        self._written_pm = [0] * SIDES_MAX  # demand that each side's pulse was made for
        self._shown_limit = LIMIT_ARMING
        self._told_limits = 0  # bits of the limits told since _told_ms
        self._told_ms = 0
        self._fault_told = [SENSE_OK] * SENSES_MAX

    def configure(self, values):
        """Take over the settings (Values). Only while LOCKED."""
        self._has_rig = bool(values.get("rig"))
        self._ends_wait = ends_wait(values)
        self.sides = values.get("sides")
        self._brake_fitted = values.get("brake") == 1
        self._supply_min_mv = values.get("supply_min_mv")
        self._extras = bool(self._brake_fitted or self._supply_min_mv or values.get("wheel_mm"))
        self._floor_mv = values.get("cell_floor_mv")
        self.rest_cell_mv = NOT_KNOWN_MV
        self._lost = 0
        self.limits.conditions.clear()
        for side in range(SIDES_MAX):
            idle_us = in_force_us(values, "idle", side)
            self.idle_us[side] = self.outputs.pulse_us[side] = idle_us
            self._written_pm[side] = 0
            self.curves[side].configure(idle_us, in_force_us(values, "full", side), values.get("side.curve", side))
        for part in (self.sense, self.strings, self.lever, self.limits, self.balance, self.interlock, self.uneven,
                     self.stuck, self.warnings, self.bench):
            part.configure(values)

    @micropython.native
    def step(self, dt_us):
        """One step, `dt_us` microseconds after the one before."""
        behind_us = dt_us - FRAME_US + self._behind_us
        if behind_us < 0:
            behind_us = 0  # as early as ever
        elif behind_us >= FRAME_US:
            behind_us = self._overrun(dt_us, behind_us)
        elif self._late:
            self._late -= 1
        self._behind_us = behind_us
        if dt_us < _DT_MIN_US:
            dt_us = _DT_MIN_US
        elif dt_us > _DT_MAX_US:
            dt_us = _DT_MAX_US
        us = self._us + dt_us
        dt_ms = us // 1000
        self._us = us - 1000 * dt_ms
        now_ms = self.now_ms
        left_ms = _TIME_MASK - now_ms  # so that the sum never passes 30 bits, not even on its way to being masked
        self.now_ms = now_ms = now_ms + dt_ms if dt_ms <= left_ms else dt_ms - left_ms - 1

        inputs = self.inputs
        lever = self.lever
        strings = self.strings
        limits = self.limits
        interlock = self.interlock
        sense = self.sense
        balance = self.balance
        conditions = limits.conditions

        if self._lost:
            sense.rested = lever.at_rest and limits.demand_pm == 0
        news = sense.update(inputs)
        if news:  # without, all strings are as they were
            strings.update(sense, self.sides)
            if sense.negative_open:
                self._ground_open = True
            elif interlock.state == HELD or interlock.state == LOCKED:
                self._ground_open = False
            conditions.blind = strings.blind or self._ground_open
            if news == NEW_FAULT:
                self._lost = self._sense_lost(now_ms)
                conditions.sense_lost = self._lost > 0
        lever.update(inputs.lever_a_mv, inputs.lever_b_mv, inputs.lever_switch)
        conditions.lever_doubt = lever.doubtful
        conditions.side_idle = balance.side_idle >= 0
        if self._extras:
            self._look_at_extras(inputs, conditions)

        fault = lever.cause
        state = interlock.state
        if fault == CAUSE_NONE:
            if self._late >= _LATE_MOST:
                fault = CAUSE_LATE
            elif limits.demand_pm == 0:  # these ease to idle first; a bench step ends at once
                if strings.blind:
                    fault = CAUSE_SENSING_LOST
                elif self._ground_open:
                    fault = CAUSE_GROUND
                elif conditions.supply_low:
                    fault = CAUSE_SUPPLY
        unready = self._unready() if state == LOCKED or state == BENCH else WAIT_NOTHING
        bench = self.bench
        if bench.phase or bench.order or state == BENCH:
            bench.stop_opened = interlock.cause == CAUSE_STOP_OPEN
            bench.update(now_ms, dt_ms, dt_us, state, lever, inputs.button, unready,
                         self._lost or inputs.again >= 0, strings)  # on the bench a doubt is enough
            if fault == CAUSE_NONE and bench.is_silent():
                fault = CAUSE_BENCH_HOST
        interlock.update(now_ms, dt_ms, inputs, lever, limits.demand_pm, unready, fault)
        inputs.stop_tripped = False

        state = interlock.state
        armed = state == DRIVING or state == READY
        if not armed:
            limits.idle()
        balance.update(dt_ms, strings.top_mv, self.sides, limits.side_pm, lever.at_rest)
        limits.update(lever.pm if armed else 0, strings, dt_us)
        warned_ms = self._warned_ms + dt_ms
        if warned_ms >= _WARN_MS:
            self.stuck.update(warned_ms, limits.demand_pm, inputs, sense)
            self.uneven.update(warned_ms, self.outputs.demand_pm, sense, strings)  # with that of a bench run
            self.warnings.update(
                now_ms, warned_ms, self.rest_cell_mv, strings, limits, self._lost > 1, self.uneven.section,
                sense.negative_mv)
            warned_ms = 0
        self._warned_ms = warned_ms
        if state == BENCH:
            self._write_bench()
        else:
            self._write(now_ms, armed)

    def _look_at_extras(self, inputs, conditions):
        """What the limits depend on where the rig has it: brake, wheel, a supply that is sensed."""
        conditions.speed_dmh = inputs.speed_dmh
        if self._supply_min_mv and inputs.supply_mv < self._supply_min_mv:
            if self._supply_low < _SUPPLY_STEPS:
                self._supply_low += 1
        else:
            self._supply_low = 0
        conditions.supply_low = self._supply_low == _SUPPLY_STEPS
        if self._brake_fitted and inputs.brake:
            conditions.braking = True
        elif self.lever.at_rest:
            conditions.braking = False

    def _unready(self):
        """What stands in the way of arming before the rider's hands come into it."""
        if not self._has_rig:
            return WAIT_NO_RIG
        if self.short_of_pulses or self._ends_wait:
            return WAIT_RESTART
        strings = self.strings
        if strings.blind or self._ground_open:
            return WAIT_SELF_CHECK
        if self.limits.conditions.supply_low:
            return WAIT_SUPPLY
        if self.warnings.over_voltage:
            return WAIT_PACK_HIGH
        if strings.weakest_cell_mv != NOT_KNOWN_MV and strings.weakest_cell_mv < self._floor_mv:
            return WAIT_PACK_LOW
        if self._brake_fitted and self.inputs.brake:
            return WAIT_BRAKE
        return WAIT_NOTHING

    @micropython.native
    def _write(self, now_ms, armed):
        outputs = self.outputs
        limits = self.limits
        limit = LIMIT_ARMING
        limit_pm = demand_pm = 0
        if armed:
            limit = limits.limit
            limit_pm = limits.limit_pm
            demand_pm = limits.demand_pm
        outputs.limit = limit
        outputs.limit_pm = limit_pm
        outputs.demand_pm = demand_pm
        outputs.lever_pm = self.lever.pm
        outputs.warnings = self.warnings.bits
        all_side_pm = limits.side_pm
        written_pm = self._written_pm
        for side in range(self.sides):
            side_pm = all_side_pm[side] if armed else 0
            if side_pm != written_pm[side]:
                written_pm[side] = side_pm
                outputs.pulse_us[side] = self.curves[side].pulse_us(side_pm)
        if self._told_limits and (now_ms - self._told_ms) & _TIME_MASK >= _TOLD_MS:
            self._told_limits = 0
        if limit != self._shown_limit and limit != LIMIT_RAMP and not self._told_limits >> limit & 1:
            if self._told_limits == 0:
                self._told_ms = now_ms
            self._told_limits |= 1 << limit
            self._shown_limit = limit
            self.events.add(now_ms, EVENT_LIMIT, limit, limit_pm)

    @micropython.native
    def _write_bench(self):
        """Pulses of a bench run, which are shares of the span and know no curve."""
        outputs = self.outputs
        bench = self.bench
        most_pm = 0
        for side in range(self.sides):
            pm = bench.side_pm[side]
            if pm > most_pm:
                most_pm = pm
            outputs.pulse_us[side] = bench.pulse_us(side)
            self._written_pm[side] = -1
        outputs.lever_pm = self.lever.pm
        outputs.demand_pm = most_pm
        outputs.warnings = self.warnings.bits
        outputs.limit = self._shown_limit = LIMIT_BENCH
        outputs.limit_pm = bench.target_pm

    @micropython.native
    def _sense_lost(self, now_ms):
        """0: all sense points believed; 1: one is not; 2: and an ADC is silent. Tells what changed."""
        sense = self.sense
        lost = 0
        for i in range(sense.used):
            n = sense.order[i]
            fault = sense.fault[n]
            if fault != SENSE_OK and lost == 0:
                lost = 1
            if fault == SENSE_SILENT or fault == SENSE_PART:
                lost = 2
            if fault != self._fault_told[n]:
                self._fault_told[n] = fault
                self.events.add(now_ms, EVENT_SENSE, n + 1, fault)
        return lost

    def behind_us(self):
        """How much later than ever the last step came."""
        return self._behind_us

    def resume(self, paused_ms):
        """After a pause that was meant: time has passed, and the next step is as early as any."""
        self._behind_us = 0
        self.now_ms = self.now_ms + paused_ms & _TIME_MASK

    def _overrun(self, dt_us, behind_us):
        """Frames without a step, in one gap or little by little; returns what is left of `behind_us`."""
        missed = behind_us // FRAME_US
        self.overruns = min(self.overruns + missed, 0xFFFF)
        self._late = min(self._late + missed + 1, 2 * _LATE_MOST)
        self.warnings.late()
        if dt_us > _DT_MAX_US:
            self.bench.stalled = True  # its pulses had ended: they must not come back at once
        self.events.add(self.now_ms, EVENT_OVERRUN, min(dt_us // 1000, 0xFFFF), self.overruns)
        return behind_us - missed * FRAME_US

    def fail(self):
        """The step raised: idle, HELD, and only a restart leads out of it."""
        self.limits.idle()
        self.interlock.hold(self.now_ms, CAUSE_STEP_FAILED)
        for side in range(SIDES_MAX):
            self.outputs.pulse_us[side] = self.idle_us[side]
        self.outputs.demand_pm = 0

    def is_locked(self):
        return self.interlock.state == LOCKED

    def is_idle(self):
        """No fan is asked to turn: the moment to collect garbage."""
        return self.outputs.demand_pm == 0 and (
            self.interlock.state == LOCKED or self.interlock.state == HELD or self.interlock.state == READY
            or self.interlock.state == BENCH
        )
