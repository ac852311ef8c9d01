"""A bench run: the vehicle tied down, a host that asks for steps, and hands at the box that hold each one.

ASKED by a host, entered with the arm button (see interlock). Then again and again: a rest; IDLE, where the host
may ready a step; a hold of the lever past half, or of the arm button, which the step lasts for. What ends a step
makes idle pulses at once, without a ramp. The host must be heard all the time.

A task calls `take_*` between two steps; it leaves an order that the next step carries out or drops.
"""

from array import array

import micropython

from core.recovery import Recovery
from shared_proto.messages import NOT_KNOWN_MV, SIDES_MAX
from shared_proto.settings import in_force_us
from shared_proto.states import (
    BENCH,
    BENCH_ASKED,
    BENCH_CONFIRM,
    BENCH_END_POINTS,
    BENCH_IDLE,
    BENCH_NONE,
    BENCH_RESTING,
    BENCH_RUNNING,
    BENCH_THRUST,
    BENCH_WAITING,
    BENCH_WITHHELD,
    BENCH_WITHHOLD,
    ENDED_BRAKE,
    ENDED_CHECK,
    ENDED_CURRENT,
    ENDED_FLOOR,
    ENDED_HELD,
    ENDED_HOST,
    ENDED_LATE,
    ENDED_NONE,
    ENDED_NOT_HELD,
    ENDED_RELEASED,
    ENDED_RUN,
    ENDED_SENSE,
    ENDED_SUPPLY,
    ENDED_TIME,
    EVENT_BENCH_END,
    EVENT_BENCH_STEP,
    EVENT_BENCH_WITHHELD,
    LOCKED,
    WAIT_BRAKE,
    WAIT_NOTHING,
    WAIT_PACK_LOW,
    WAIT_SUPPLY,
)

# A beat is seen up to a frame late, an idle word is a pulse up to a frame late, and a collection may delay one of them:
# 250 ms in all.
SILENT_MS = 160
_ASK_SILENT_MS = 1000
ASK_MS = 30000
WAIT_MS = 60000
STEADY_MS = 1500  # at the full of a step before its pulses are withheld, or its sag is believed
_LONG_MS = 100000
_HOLD_PM = 500  # of the lever
_RELEASE_PM = 400
_LET_STEPS = 2  # a contact that bounces for one step does not end the run
_QUIET_PM = 300  # a thrust step of this much or more shows whether a side draws current
_QUIET_MV = 30  # sag of the whole string below which it does not: a fan of 65 N on the simulated board gives 75
_CURRENT_MV = 100  # sag in end-point learning that is a fan
_LEARN_RAMP_MS = 4000  # slow enough for a fan to be noticed far below full
_CURRENT_STEPS = 5  # ... and not the inrush of an ESC that is being connected

# What the box must have seen of a side before its stop can be marked as proved: pulses withheld for this long, and the
# stop loop opened under its pulse. How soon the fan stopped is for the host to judge.
_SEEN_WITHHELD_MS = 1500
_SEEN_STEADY_MS = 300
_WITHHELD, _STOPPED = 1, 2

_NONE, _ASK, _STEP, _DROP, _END = range(5)


class Bench:
    """`phase` of BENCH_PHASES; `side_pm` of the pulse span each side gets; `withheld`, the side that gets no pulse, -1
    none; `over`, the run has ended in good order; for the status: `side` from 1, `steps`, `end` of BENCH_ENDS."""

    def __init__(self, events):
        self.phase = BENCH_NONE
        self.order = _NONE
        self.side_pm = array("i", [0] * SIDES_MAX)
        self.cap_pm = array("i", [0] * SIDES_MAX)
        self.target_pm = 0  # of the step that runs
        self.withheld = -1
        self.over = False
        self.stalled = False  # set by the controller when no step ran for too long
        self.stop_opened = False  # set by the controller: the box is HELD by the stop loop
        self.token = 0  # of the run, for what it has seen
        self.side = 0
        self.steps = 0
        self.end = ENDED_NONE
        self.sides = 1
        self.low_pm = 0
        self.step_ms = 0
        self.run_s = 0
        self.rest_ms = 0
        self._events = events
        self._idle_us = array("i", [1000] * SIDES_MAX)
        self._span_us = array("i", [1000] * SIDES_MAX)
        self._ramp_up_ms = 2000
        self._step_ramp_ms = 2000  # of the step that runs
        self._what = BENCH_THRUST
        self._pulse_pm = 0
        self._time_ms = 0
        self._heard = False
        self._silent_ms = 0
        self._phase_ms = 0
        self._run_ms = 0
        self._given = 0  # millionths of the span
        self._steady_ms = 0
        self._let_go = False  # seen let go since the step was readied
        self._pressed = False
        self._let = 0  # steps in a row that nobody held
        self._drawing = 0  # steps in a row that a side in end-point learning drew current
        self._before_mv = array("i", [NOT_KNOWN_MV] * SIDES_MAX)  # string voltages at the begin of the step
        self._sag_mv = array("i", [0] * SIDES_MAX)  # at the most, with what recovery may hide
        self._recovery = Recovery()
        self._quiet = array("i", [0] * SIDES_MAX)  # 1: the last step of the side drew no current
        self._withheld_ms = 0  # when pulses ended, since the step began
        self._seen = array("i", [0] * SIDES_MAX)  # since power-up: _WITHHELD, _STOPPED
        self._seen_token = [0] * SIDES_MAX  # of the run in which the stop was seen
        self._about = [(b"", b"", 0)] * SIDES_MAX  # what the box takes each side for

    def configure(self, values):
        get = values.get
        self.sides = get("sides")
        self.low_pm = get("bench_low_pm")
        self.step_ms = get("bench_step_ms")
        self.run_s = get("bench_run_s")
        self.rest_ms = get("bench_rest_ms")
        self._ramp_up_ms = get("ramp_up_ms")
        for side in range(SIDES_MAX):
            cap_pm = get("bench_cap_pm")
            # A run is how a side's stop gets proved, at a low pulse; not before that does it get more.
            if not get("side.proven", side):
                cap_pm = min(cap_pm, get("unproven_cap_pm"))
            self.cap_pm[side] = cap_pm
            self._idle_us[side] = in_force_us(values, "idle", side)
            self._span_us[side] = in_force_us(values, "full", side) - self._idle_us[side]
            about = get("rig"), get("side.name", side), get("side.cells", side)
            if about != self._about[side]:
                self._about[side] = about
                self._seen[side] = 0
        self.order = _NONE
        self._leave()

    # -- for a task, between two steps; each leaves its order last, and none when it may not ------------------------

    def take_ask(self, token):
        self.token = token
        self.order = _ASK

    def has_seen(self, side, token):
        """Whether the box has seen, since power-up, pulses withheld from a side (from 0) and then, in the run of
        `token`, the stop loop opened under its pulse."""
        return self._seen[side] == _WITHHELD | _STOPPED and self._seen_token[side] == token

    def take_beat(self):
        self._heard = True

    def may_step(self):
        return self.phase == BENCH_IDLE and self.order == _NONE

    def is_quiet(self, side):
        """Whether the last step of a side (from 0) has shown that it draws no current."""
        return self._quiet[side] == 1

    def most_pm(self, side):
        """Cap of a side from 1, or the lowest of all sides (0)."""
        if side:
            return self.cap_pm[side - 1]
        most_pm = 1000
        for n in range(self.sides):
            if self.cap_pm[n] < most_pm:
                most_pm = self.cap_pm[n]
        return most_pm

    def take_step(self, what, side, pulse_pm, time_ms):
        """Ready a step whose numbers have been checked (see services.bench_requests)."""
        self._what = what
        self.side = side
        self._pulse_pm = pulse_pm
        self._time_ms = time_ms
        self.order = _STEP

    def take_drop(self):
        self.order = _DROP

    def take_end(self):
        self.order = _END

    def left_ms(self):
        """Of the step, the rest or the wait; of the run while IDLE; at most 65535."""
        phase = self.phase
        if phase == BENCH_NONE:
            return 0
        most_ms = self._time_ms
        if phase == BENCH_RESTING:
            most_ms = self.rest_ms
        elif phase == BENCH_ASKED:
            most_ms = ASK_MS
        elif phase == BENCH_WAITING or phase == BENCH_CONFIRM:
            most_ms = WAIT_MS
        past_ms = self._phase_ms
        if phase == BENCH_IDLE:
            most_ms = 1000 * self.run_s
            past_ms = self._run_ms
        return max(0, min(most_ms - past_ms, 0xFFFF))

    # -- the step ---------------------------------------------------------------------------------------------------

    @micropython.native
    def update(self, now_ms, dt_ms, dt_us, state, lever, button, unready, sense_lost, strings):
        """One step, before the interlock's: `state` is that of the step before."""
        if self._heard:
            self._heard = False
            self._silent_ms = 0
        elif self._silent_ms < _LONG_MS:
            self._silent_ms += dt_ms
        if self._phase_ms < _LONG_MS:
            self._phase_ms += dt_ms
        order = self.order
        self.order = _NONE  # now or never
        if state == BENCH:
            self._run(now_ms, dt_ms, dt_us, order, lever, button, unready, sense_lost, strings)
        elif state == LOCKED:
            if order == _ASK:
                self._leave()
                self._silent_ms = 0
                self._phase_ms = 0
                self.phase = BENCH_ASKED
            elif (self.phase != BENCH_ASKED or order == _END or self._phase_ms >= ASK_MS
                  or self._silent_ms >= _ASK_SILENT_MS):
                self._leave()
        else:
            if self.phase >= BENCH_CONFIRM:
                self._finish(now_ms, ENDED_HELD)
            self._leave()
        self.stalled = False

    def is_silent(self):
        """Whether a run misses its host."""
        return self.phase >= BENCH_RESTING and self._silent_ms >= SILENT_MS

    def pulse_us(self, side):
        """Pulse of a side (from 0), 0 for none."""
        if side == self.withheld:
            return 0
        return self._idle_us[side] + self._span_us[side] * self.side_pm[side] // 1000

    @micropython.native
    def _run(self, now_ms, dt_ms, dt_us, order, lever, button, unready, sense_lost, strings):
        phase = self.phase
        if phase <= BENCH_ASKED:  # just entered
            self.steps = 0
            self.end = ENDED_NONE
            self._run_ms = 0
            for side in range(SIDES_MAX):
                self._quiet[side] = 0
            self._recovery.forget()
            self._to(BENCH_RESTING)
            return
        self._run_ms += dt_ms
        if self._run_ms >= 1000 * self.run_s or order == _END:
            if phase >= BENCH_CONFIRM:
                self._finish(now_ms, ENDED_HOST if order == _END else ENDED_RUN)
            self.over = True
            self._run_ms = 1000 * self.run_s  # and it stays over
            return
        if phase < BENCH_RUNNING:
            self._recovery.update(dt_ms, strings.top_mv, self.sides)
        if phase == BENCH_RESTING:
            if self._phase_ms >= self.rest_ms:
                self._to(BENCH_IDLE)
            return
        if phase == BENCH_IDLE:
            if order == _STEP:
                self._let_go = self._pressed = False
                self._to(BENCH_CONFIRM if self._what == BENCH_END_POINTS else BENCH_WAITING)
            return
        # Here a step is ready or runs.
        held = button
        if self._what != BENCH_END_POINTS:  # which takes the button alone
            held = button or lever.pm >= (_HOLD_PM if phase == BENCH_WAITING else _RELEASE_PM)
        why = self._why(order, held, unready, sense_lost)
        if why != ENDED_NONE:
            self._finish(now_ms, why)
        elif phase == BENCH_CONFIRM:
            if not self._let_go:
                self._let_go = not button
            elif button:
                self._pressed = True
            elif self._pressed:
                self._let_go = False
                self._to(BENCH_WAITING)
        elif phase == BENCH_WAITING:
            if not held:
                if lever.at_rest:
                    self._let_go = True
            elif self._let_go:
                self._start(now_ms, strings)
        else:
            self._drive(now_ms, dt_ms, dt_us, strings)

    @micropython.native
    def _why(self, order, held, unready, sense_lost):
        """Why the step that is ready or runs ends now, ENDED_NONE if it does not."""
        if unready != WAIT_NOTHING:
            if unready == WAIT_PACK_LOW:
                return ENDED_FLOOR
            if unready == WAIT_BRAKE:
                return ENDED_BRAKE
            if unready == WAIT_SUPPLY:
                return ENDED_SUPPLY
            return ENDED_CHECK
        if sense_lost:
            return ENDED_SENSE
        if order == _DROP:
            return ENDED_HOST
        if self.phase < BENCH_RUNNING:
            return ENDED_NOT_HELD if self._phase_ms >= WAIT_MS else ENDED_NONE
        if self.stalled:
            return ENDED_LATE
        if self._drawing >= _CURRENT_STEPS:
            return ENDED_CURRENT
        if held:
            self._let = 0
        else:
            self._let += 1
            if self._let >= _LET_STEPS:
                return ENDED_RELEASED
        return ENDED_TIME if self._phase_ms >= self._time_ms else ENDED_NONE

    def _start(self, now_ms, strings):
        self.steps = min(self.steps + 1, 0xFFFF)
        self._given = self._steady_ms = self._let = self._drawing = 0
        if self._what != BENCH_THRUST:  # another ESC's settings, or seen anew
            self._seen[self.side - 1] = 0
        most_pm = self.most_pm(self.side)  # a message was checked against it, and it holds all the same
        self._step_ramp_ms = self._ramp_up_ms
        if self._what == BENCH_END_POINTS:
            most_pm = 1000
            self._step_ramp_ms = max(self._ramp_up_ms, _LEARN_RAMP_MS)
        self.target_pm = self._pulse_pm if self._pulse_pm < most_pm else most_pm
        for side in range(self.sides):
            self._before_mv[side] = strings.top_mv[side]
            self._sag_mv[side] = 0
        self._recovery.load()
        self._to(BENCH_RUNNING)
        self._events.add(now_ms, EVENT_BENCH_STEP, self._what << 8 | self.side, self.target_pm)

    @micropython.native
    def _drive(self, now_ms, dt_ms, dt_us, strings):
        """One step up the ramp, or at the top of it."""
        target = 1000 * self.target_pm
        given = self._given + 1000 * dt_us // self._step_ramp_ms
        if given >= target:
            given = target
            if self._steady_ms < _LONG_MS:
                self._steady_ms += dt_ms
        self._given = given
        pm = given // 1000
        drawing = False
        for side in range(self.sides):
            if self.side != 0 and side != self.side - 1:
                continue
            self.side_pm[side] = pm
            top_mv = strings.top_mv[side]
            if top_mv == NOT_KNOWN_MV:
                drawing = True
                continue
            sag_mv = self._before_mv[side] - top_mv + self._recovery.most_mv(side, self._phase_ms)
            if sag_mv > self._sag_mv[side]:
                self._sag_mv[side] = sag_mv
            if sag_mv > _CURRENT_MV:
                drawing = True
        if self._what == BENCH_END_POINTS and drawing:
            self._drawing += 1
        else:
            self._drawing = 0
        if self._what == BENCH_WITHHOLD and self.phase == BENCH_RUNNING and self._steady_ms >= STEADY_MS:
            self.withheld = self.side - 1
            self._withheld_ms = self._phase_ms
            self.phase = BENCH_WITHHELD  # its time goes on
            self._events.add(now_ms, EVENT_BENCH_WITHHELD, self.side, 0)

    def _finish(self, now_ms, why):
        """Idle at once. A step that has run is followed by a rest."""
        ran = self.phase >= BENCH_RUNNING
        for side in range(self.sides):
            if self.side != 0 and side != self.side - 1:
                continue
            told = ran and self._what == BENCH_THRUST and self.target_pm >= _QUIET_PM and self._steady_ms >= STEADY_MS
            known = self._before_mv[side] != NOT_KNOWN_MV
            self._quiet[side] = 1 if told and known and self._sag_mv[side] < _QUIET_MV else 0
        if self.phase == BENCH_WITHHELD and self._phase_ms - self._withheld_ms >= _SEEN_WITHHELD_MS:
            self._seen[self.side - 1] |= _WITHHELD
        elif (ran and self._what == BENCH_THRUST and self.side != 0 and self._steady_ms >= _SEEN_STEADY_MS
              and why == ENDED_HELD and self.stop_opened):
            self._seen[self.side - 1] |= _STOPPED
            self._seen_token[self.side - 1] = self.token
        self._events.add(now_ms, EVENT_BENCH_END, why, min(self._phase_ms, 0xFFFF) if ran else 0)
        self.end = why
        self._idle()
        self._to(BENCH_RESTING if ran else BENCH_IDLE)

    def _idle(self):
        self._given = 0
        self.target_pm = 0
        self.withheld = -1
        for side in range(SIDES_MAX):
            self.side_pm[side] = 0

    def _to(self, phase):
        self.phase = phase
        self._phase_ms = 0

    def _leave(self):
        self._idle()
        self.over = False
        self.phase = BENCH_NONE
