"""The control step: inputs to outputs, once every 20 ms, in integers, without allocating.

A pure function of its inputs, the measured time since the last step and its own state. It reads no clock and
touches no pin, so the same file runs on the board, on the simulated board and under a test on the desk.
"""

from core.curve import Curve
from core.events import Events
from core.inputs import Inputs, Outputs
from core.interlock import Interlock
from core.lever import Lever
from core.limits import Limits
from core.sense import Sense
from core.string import Strings
from core.warnings import Warnings
from shared_proto.messages import SENSES_MAX, SIDES_MAX
from shared_proto.states import (
    CAUSE_LATE,
    CAUSE_NONE,
    CAUSE_SENSING_LOST,
    CAUSE_STEP_FAILED,
    DRIVING,
    EVENT_LIMIT,
    EVENT_OVERRUN,
    EVENT_SENSE,
    HELD,
    LIMIT_ARMING,
    LIMIT_RAMP,
    LOCKED,
    READY,
    SENSE_OK,
    SENSE_SILENT,
)

FRAME_US = 20000  # one servo frame
_DT_MIN_US = 1000
_DT_MAX_US = 100000  # a longer gap is counted as this: a ramp never jumps
_LATE_US = 2 * FRAME_US  # a gap that swallowed a whole frame is an overrun
_LATE_MOST = 25  # overruns in a row of steps (each good step pays one back) that end in HELD
_TIME_MASK = 0x3FFFFFFF  # a small integer on the board; wraps after 12.4 days


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
        self.interlock = Interlock(self.events)
        self.warnings = Warnings(self.events)
        self.curves = [Curve() for _ in range(SIDES_MAX)]
        self.idle_us = [1000] * SIDES_MAX
        self.now_ms = 0
        self.overruns = 0
        self.sides = 1
        self._has_rig = False
        self._us = 0
        self._late = 0
        self._shown_limit = LIMIT_ARMING
        self._fault_told = [SENSE_OK] * SENSES_MAX

    def configure(self, values):
        """Take over the settings (Values). Only while LOCKED."""
        self._has_rig = bool(values.get("rig"))
        self.sides = values.get("sides")
        for side in range(SIDES_MAX):
            idle_us = values.get("side.idle_us", side)
            self.idle_us[side] = idle_us
            self.curves[side].configure(idle_us, values.get("side.full_us", side), values.get("side.curve", side))
        for part in (self.sense, self.strings, self.lever, self.limits, self.interlock, self.warnings):
            part.configure(values)

    def step(self, dt_us):
        """One step, `dt_us` microseconds after the one before."""
        if dt_us >= _LATE_US:
            self._overrun(dt_us)
        elif self._late:
            self._late -= 1
        if dt_us < _DT_MIN_US:
            dt_us = _DT_MIN_US
        elif dt_us > _DT_MAX_US:
            dt_us = _DT_MAX_US
        self._us += dt_us
        dt_ms = self._us // 1000
        self._us -= 1000 * dt_ms
        now_ms = self.now_ms
        left_ms = _TIME_MASK - now_ms  # so that the sum never passes 30 bits, not even on its way to being masked
        self.now_ms = now_ms = now_ms + dt_ms if dt_ms <= left_ms else dt_ms - left_ms - 1

        inputs = self.inputs
        lever = self.lever
        strings = self.strings
        limits = self.limits
        interlock = self.interlock
        sense = self.sense

        sense.update(inputs)
        strings.update(sense, self.sides)
        lever.update(inputs.lever_a_mv, inputs.lever_b_mv)
        lost = self._sense_lost(now_ms)

        fault = lever.cause
        if fault == CAUSE_NONE:
            if self._late >= _LATE_MOST:
                fault = CAUSE_LATE
            elif strings.blind and limits.demand_pm == 0:  # eased to idle first, then held
                fault = CAUSE_SENSING_LOST
        interlock.update(now_ms, dt_ms, inputs, lever, limits.demand_pm, self._has_rig, not strings.blind, fault)
        inputs.stop_tripped = False

        armed = interlock.state == DRIVING or interlock.state == READY
        if not armed:
            limits.idle()
        limits.update(lever.pm if armed else 0, strings.weakest_cell_mv, lost > 0, strings.blind, dt_us)
        self.warnings.update(now_ms, dt_ms, strings, limits, lost > 0, lost > 1)
        self._write(now_ms, armed)

    def _write(self, now_ms, armed):
        outputs = self.outputs
        limits = self.limits
        outputs.lever_pm = self.lever.pm
        outputs.demand_pm = demand_pm = limits.demand_pm if armed else 0
        outputs.warnings = self.warnings.bits
        outputs.limit_pm = limits.limit_pm if armed else 0
        outputs.limit = limit = limits.limit if armed else LIMIT_ARMING
        for side in range(SIDES_MAX):
            outputs.pulse_us[side] = self.curves[side].pulse_us(demand_pm)
        if limit != self._shown_limit and limit != LIMIT_RAMP:
            self._shown_limit = limit
            self.events.add(now_ms, EVENT_LIMIT, limit, outputs.limit_pm)

    def _sense_lost(self, now_ms):
        """0: all sense points believed; 1: one is not; 2: and an ADC is silent. Tells what changed."""
        sense = self.sense
        lost = 0
        for i in range(sense.first[SIDES_MAX]):
            n = sense.order[i]
            fault = sense.fault[n]
            if fault != SENSE_OK and lost == 0:
                lost = 1
            if fault == SENSE_SILENT:
                lost = 2
            if fault != self._fault_told[n]:
                self._fault_told[n] = fault
                self.events.add(now_ms, EVENT_SENSE, n + 1, fault)
        return lost

    def _overrun(self, dt_us):
        missed = dt_us // FRAME_US - 1
        self.overruns = min(self.overruns + missed, 0xFFFF)
        self._late = min(self._late + missed + 1, 2 * _LATE_MOST)
        self.warnings.late()
        self.events.add(self.now_ms, EVENT_OVERRUN, min(dt_us // 1000, 0xFFFF), self.overruns)

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
        )
