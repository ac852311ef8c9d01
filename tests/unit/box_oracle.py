"""What a box promises (DEVELOPERS.md, hardware_notes), in the words of those papers and with nothing taken from `core`.

The oracle knows the hands, the wires, the time and the settings that were accepted, and sees state, demand and pulses.
"""

from desk import POINTS

from shared_proto.states import BENCH, DRIVING, HELD, LOCKED, READY

ARMED = (READY, DRIVING)


class Oracle:
    """Watches a box (box_desk.DeskBox) from the moment its power comes."""

    def __init__(self, box):
        self._box = box
        self.state = LOCKED
        self._before_pm = 0
        self._stop_has_opened = False
        self._button_was_up = False  # since power-up, or since the box changed its state, or since a press too early
        self._held_us = self._idle_for_us = 0
        self._lever_bad = self._tasks_bad_us = 0
        self._blind_us = {1: 0, 2: 0}
        self._asked_us = None  # when a bench run was asked for by wire
        self._heard_us = 0

    def bench_asked(self):
        self._asked_us = self._heard_us = self._box.ticks.us

    def bench_heard(self):
        self._heard_us = self._box.ticks.us

    def settings_changed(self):
        self._before_pm = self._held_us = 0

    def note(self, dt_us, trip):
        """Before a step: what the box is given."""
        box = self._box
        self._stop_has_opened |= not box.closed
        self._button_was_up |= not box.pressed
        well = box.closed and not trip and self._lever_at_rest() and not self._tasks_bad_us > 1_200_000
        self._held_us = self._held_us + dt_us if box.pressed and well and self._button_was_up else 0
        self._tasks_bad_us = self._tasks_bad_us + dt_us if box.dead_tasks else 0
        beyond = max(self._tracks()) > 1103 or min(self._tracks()) < -103
        self._lever_bad = self._lever_bad + 1 if beyond else 0
        for side in (1, 2):
            seen = any(s == side and box.wires[n] and box.wires[n] >= 2000 for n, s, _ in POINTS)
            self._blind_us[side] = 0 if seen else self._blind_us[side] + dt_us

    def check(self, state, demand_pm, us, dt_us, trip):
        """After a step: what the box made of it. `us`: the pulse of each side."""
        box = self._box
        get = box.values.get
        sides = get("sides")
        idle = us[:sides] == box.idle_us[:sides]
        # The order of arming.
        if state != self.state:
            assert (self.state, state) not in [(LOCKED, DRIVING), (HELD, READY), (HELD, DRIVING), (HELD, BENCH),
                                               (READY, BENCH), (BENCH, READY), (BENCH, DRIVING)]  # fmt: skip
            if self.state == LOCKED and state in (READY, BENCH):
                assert self._stop_has_opened and box.closed and not trip
                assert self._lever_at_rest()
                assert self._button_was_up and box.pressed
                assert self._held_us >= get("arm_hold_ms") * 1000 - dt_us
                assert self._idle_for_us >= get("esc_idle_ms") * 1000 - dt_us
                assert max(self._blind_us[s + 1] for s in range(sides)) < 1_000_000
                assert not (get("brake") and box.braking)
                assert get("rig")
            if state == BENCH:
                assert self._asked_us is not None and box.ticks.us - self._asked_us < 31_000_000
            self._button_was_up = False
            self._held_us = 0
        if state == LOCKED and box.pressed and self._held_us == 0:
            self._button_was_up = False  # too early: it has to be let go first
        # What leaves idle pulses only.
        if state in (LOCKED, HELD):
            assert idle
        if not box.closed or trip or self._tasks_bad_us > 1_200_000 or self._lever_bad > 3:
            assert idle and state != READY
        blind_us = max(self._blind_us[s + 1] for s in range(sides))
        if state in ARMED and blind_us > 300_000 + 1000 * get("ramp_down_ms"):
            assert idle
        self._idle_for_us = self._idle_for_us + dt_us if idle and state not in ARMED else 0
        # Ramps and limits, by the measured time.
        if state in ARMED:
            fallen_pm = self._before_pm - dt_us / get("ramp_down_ms")
            assert demand_pm <= self._before_pm + dt_us / get("ramp_up_ms") + 2
            assert demand_pm >= fallen_pm - 2
            assert demand_pm <= max(self._most_pm(), fallen_pm + 2)
            together = [self._by_curve(side, demand_pm) for side in range(sides)]
            if get("together"):
                assert us[:sides] == together
            else:
                assert all(mine <= most for mine, most in zip(us, together, strict=False))
        elif state == BENCH:
            caps = [min(get("bench_cap_pm"), 1000 if get("side.proven", s) else get("unproven_cap_pm")) for s in (0, 1)]
            for side in range(sides):
                span_us = get("side.full_us", side) - box.idle_us[side]
                # End points are learned at full, and need a side that was shown to draw no current: not in here.
                assert us[side] <= box.idle_us[side] + span_us * caps[side] // 1000
            # Host silent: idle within 250 ms, less the frame until the pulse and a late step.
            assert idle or box.ticks.us - self._heard_us <= 230_000 + dt_us
        self._before_pm = demand_pm
        self.state = state

    def _tracks(self):
        return list(self._box.position.values())[: self._box.values.get("lever_tracks")]

    def _lever_at_rest(self):
        switch = self._box.at_rest_switch or not self._box.values.get("lever_switch")
        return max(self._tracks()) <= 41 and min(self._tracks()) >= -102 and switch

    def _most_pm(self):
        """The lowest of the limits that the oracle can tell, and what the lower track asks for."""
        get = self._box.values.get
        asked_pm = max(0.0, (min(self._tracks()) - 38) * 1000 / 940 + 4)
        most_pm = min(1000.0, asked_pm)
        if not all(get("side.proven", side) for side in range(get("sides"))):
            most_pm = min(most_pm, get("unproven_cap_pm"))
        if get("lever_tracks") == 1 and not get("lever_switch"):
            most_pm = min(most_pm, get("single_track_cap_pm"))
        if get("brake") and self._box.braking:
            most_pm = 0
        if get("lever_switch") and self._box.at_rest_switch:
            most_pm = 0
        return most_pm

    def _by_curve(self, side, demand_pm):
        get = self._box.values.get
        idle_us, span_us = self._box.idle_us[side], get("side.full_us", side) - self._box.idle_us[side]
        points_us = [idle_us + span_us * share // 1000 for share in get("side.curve", side)] * 2
        at = demand_pm // 100
        low_us, high_us = points_us[at], points_us[at + 1 if at < 10 else 10]
        return low_us + (high_us - low_us) * (demand_pm % 100) // 100
