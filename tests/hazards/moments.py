"""The moments at which a hazard strikes, and what must hold in every run whatever strikes.

    @at(*ALL, but={"arming": "why not there"})
    def test_lever_wire_open(moment):
        with Run(moment) as run:
            run.strike(lambda box: box.cut_lever_wire("a"))
            run.idle_within(100)
            run.held("LEVER_RANGE")

A test has the name of its row in hardware_notes/hazards.md. All times are virtual, all facts about thrust come
from the pulses and the plant. The port is busy: 25 status messages a second and a host that reads them and asks for
settings all the while. `busiest=True`, for what is short of time: a flood of requests from before the strike on, and
a display that draws everything anew in each round.
"""

import numpy as np
import pytest
from bench_host import ESC_IDLE_MS, FRAME_US, HOLD_MS, Host, above_idle, make_box, quick_values, us
from overlays import patched

from barbox.demo.truth import Truth
from barbox.sim.board import LEFT, RIGHT
from shared_proto import frames, messages, states
from shared_proto.settings import ROWS

SIDES = (LEFT, RIGHT)
SLICE_S = 0.05  # between two looks at plant and port
FLOOR_SLACK_V, FLOOR_SLACK_S = 0.05, 0.5
CUTBACK_BACK_PM_S = 30  # core.cutback: the limit comes back by this at the most
TENTHS_PM = range(0, 1001, 100)
FLOOD = 10  # requests at once, 200 a second
REDRAWN = r"if self._shown\[slot\] == value:\n            return False"  # of services.screens
ASKED_FOR = ("side.curve", "cell_floor_mv", "rig", "sense.nv_per_count", "watchdog_ms")

# Lever in per mille and for how long, from READY on.
PULLS = {"pulling away": (1000, 0.6), "cruise": (500, 2.5), "full thrust": (1000, 3.0), "cutback": (1000, 4.0)}
ALL = ("arming", "ready", *PULLS)
UNDER_THRUST = tuple(PULLS)


def at(*moments, but=None, every=False):
    """Parametrise a test over moments. `but`: those of ALL that are left out, each with its reason. Where there are
    cases besides, every other combination is run unless `every` (see tests/conftest.py)."""
    but = but or {}
    assert set(moments) | set(but) == set(ALL) and not set(moments) & set(but), "each moment is tested or has a reason"
    assert all(but.values())
    over = pytest.mark.parametrize("moment", moments)
    return over if every else lambda test: pytest.mark.chequered(over(test))


NO_THRUST_YET = {"arming": "no thrust to lose yet", "ready": "no thrust to lose yet"}


def tired_packs(box):
    """Sections that reach their knee at full thrust."""
    for side in SIDES:
        box.weaken_section(side, 1, charge=0.10, resistance_factor=2.5)


class Run:
    """One box of the example rig, brought to `moment`.

    `prepare(box)` is called before the arming order, `options` go to `make_box`. `together=False` for a hazard that
    parts the pulses of the sides, `rises=True` for one that does not forbid more thrust; `doubt_ms` is how long a
    ramp may go on while what struck is not yet told from noise. `host=False`: the host asks for nothing by itself.
    At the end of the `with`, what every run must keep is asserted beside what the test asserts.
    """

    def __init__(
        self, moment, values=None, *, prepare=None, together=True, rises=False, doubt_ms=0, host=True, busiest=False,
        **options
    ):  # fmt: skip
        self.moment = moment
        self.values = quick_values(stream_hz=25) if values is None else values
        self.values.put("stream_hz", 25)
        if busiest:
            redrawn = patched("services/screens.py", REDRAWN, "if False:\n            pass")
            options["overlay"] = {**options.get("overlay", {}), **redrawn}
        self.box = make_box(self.values, **options)
        self.truth = Truth()
        self.struck_us = None
        self.answered = 0
        self._prepare = prepare
        self._together = together
        self._rises = rises
        self._doubt_ms = doubt_ms
        self._with_host = host
        self._flood = busiest
        self._before_us = [None, None]
        self._told_from = 0
        self._since = [0, 0]  # first pulse of each side that rose after the strike
        self._offset_ms = 0.0

    # -- to the moment ------------------------------------------------------------------------------------------

    def __enter__(self):
        self.box.__enter__()
        try:
            self.host = Host(self.box)
            self._go()
        except BaseException:
            self.box.close()
            raise
        return self

    def _go(self):
        box = self.box
        self.ride(0.5)
        if self._prepare is not None:
            self._prepare(box)
        if self.moment == "cutback":
            tired_packs(box)
        self.ride(0.5)
        self.arming_order(let_go=self.moment != "arming")
        if self.moment == "arming":
            assert (self.host.state, self.host.waits) == ("LOCKED", "BUTTON")
        else:
            assert self.host.state == "READY"
        if self.moment in PULLS:
            lever_pm, seconds = PULLS[self.moment]
            box.move_lever(lever_pm)
            self.ride(seconds)
            assert self.host.state == "DRIVING" and self.above_idle(since_us=us(box) - 2 * FRAME_US)
        limits = {"pulling away": "RAMP", "cutback": "CUTBACK"}
        if self.moment in limits:
            assert self.host.limit == limits[self.moment]
        self._offset_ms = self._clock_offset_ms()

    def arming_order(self, let_go=True):
        """All that a rider does from power-up on, as fast as the quick settings allow; or up to half of the time that
        the arm button is held."""
        box = self.box
        box.open_stop_loop()
        self.ride(0.1)
        box.close_stop_loop()
        self.ride(ESC_IDLE_MS / 1000 + 0.2)
        box.press_arm_button()
        if not let_go:
            self.ride(HOLD_MS / 2000)
            return
        self.ride(HOLD_MS / 1000 + 0.1)
        box.release_arm_button()
        self.ride(0.15)

    def power_again(self, meanwhile):
        """Power off, `meanwhile(box)`, power on, and boot."""
        self.box.power_off()
        meanwhile(self.box)
        self.box.power_on()
        self.ride(0.5)

    def _clock_offset_ms(self):
        """What to take from virtual time in ms to have the box's own."""
        before = self.host.status.number
        for _ in range(100):
            self.box.advance(0.001)
            self.host.read()
            if self.host.status.number != before:  # fresh: what it says is at most a step old
                break
        return us(self.box) / 1000 - self.host.status.time_ms

    def __exit__(self, kind, *_):
        try:
            if kind is None:
                self.keeps_what_every_run_must()
        finally:
            self.host.close()
            self.box.__exit__()

    # -- time passes ----------------------------------------------------------------------------------------------

    def ride(self, seconds):
        """Let time pass with a host that reads and asks, and look at the plant."""
        box, host = self.box, self.host
        end_us = us(box) + round(seconds * 1e6)
        while us(box) < end_us:
            self._ask()
            box.advance(min(SLICE_S, (end_us - us(box)) / 1e6))
            host.read()
            self.truth.sample(box, box.now_s)

    def _ask(self):
        """A request a slice, whatever became of the one before."""
        host = self.host
        if not self._with_host or host._fd < 0 or not self.box.port.is_open():
            return
        self.answered += len(host._answers)
        host._answers.clear()
        name = ASKED_FOR[len(self.truth.t_s) % len(ASKED_FOR)]
        if self._flood:
            host.send(b"".join([frames.encode(messages.SETTING_GET.pack(n, ROWS[name], 0)) for n in range(FLOOD)]))
        else:
            host.post(messages.SETTING_GET, ROWS[name], 0)

    def strike(self, action, *, phase_us=0, seconds=0.6):
        """`action(box)` happens `phase_us` from now, to the microsecond; then `seconds` pass."""
        box = self.box
        assert self.struck_us is None, "one strike a run"
        self.struck_us = us(box) + phase_us
        self._since = [len(box.pulses(side)) for side in SIDES]
        self._before_us = [box.pulse_us(side) for side in SIDES]
        self._told_from = len(self.host.events)
        box.after(phase_us / 1e6, lambda: action(box))
        self.ride(seconds)

    # -- what came of it -------------------------------------------------------------------------------------------

    def above_idle(self, since_us=None):
        """Pulses above idle of any side that ended after `since_us`, the strike if left out."""
        since_us = self.struck_us if since_us is None else since_us
        assert since_us is not None
        return [pulse for side in SIDES for pulse in above_idle(self.box, side, since_us)]

    def last_above_idle_ms(self):
        """From the strike to the end of the last pulse above idle of any side; 0 without any."""
        assert self.struck_us is not None
        return max((rise + width - self.struck_us for rise, width in self.above_idle()), default=0) / 1000

    def idle_within(self, ms, *, pulses_go_on=True):
        """The last pulse above idle ends within `ms` of the strike, and idle pulses go on."""
        assert self.last_above_idle_ms() <= ms, f"{self.last_above_idle_ms():.1f} ms"
        for side in SIDES:
            if pulses_go_on:
                assert us(self.box) - self.box.pulses(side)[-1][0] <= 2 * FRAME_US
                assert self.box.pulse_us(side) == self.values.get("side.idle_us", side)

    def eased_to(self, limit_pm, told_within_ms):
        """Thrust comes down the ramp, neither dropped nor slower: to `limit_pm` of demand within the time to notice,
        the ramp, and two frames."""
        ramp_ms = self.values.get("ramp_down_ms")
        target_us = max(self._pulse_for(side, limit_pm) for side in SIDES)
        assert self.struck_us is not None
        for side in SIDES:
            after = self.pulses_after_strike(side)
            over = [(rise, width) for rise, width in after if width > target_us]
            most_ms = told_within_ms + ramp_ms + 2 * FRAME_US / 1000
            late_ms = max((rise + width - self.struck_us for rise, width in over), default=0) / 1000
            assert late_ms <= most_ms, f"above {target_us} us until {late_ms:.0f} ms"
            if self._before_us[side] - target_us > 300:
                between = {width for _, width in over} - {self._before_us[side]}
                assert len(between) >= 3, "dropped, not eased"

    def _spans_us(self, side):
        """Pulses of the eleven demands of the side's curve."""
        get = self.values.get
        idle_us, full_us = get("side.idle_us", side), get("side.full_us", side)
        return [idle_us + (full_us - idle_us) * pm / 1000 for pm in get("side.curve", side)]

    def _pulse_for(self, side, demand_pm):
        """Pulse of this demand, and a microsecond for rounding."""
        return float(np.interp(demand_pm, TENTHS_PM, self._spans_us(side))) + 1

    def _demand_of(self, side, pulse_us):
        return float(np.interp(pulse_us or 0, self._spans_us(side), TENTHS_PM))

    def pulses_after_strike(self, side):
        return self.box.pulses(side)[self._since[side] :]

    def told_ms(self, event, a=None, b=None):
        """From the strike to the first such event since, by the box's own clock; None when it was not told."""
        assert self.struck_us is not None
        for e in self.host.events[self._told_from :]:
            if states.name(states.EVENTS, e.event) == event and a in (None, e.a) and b in (None, e.b):
                return e.time_ms - (self.struck_us / 1000 - self._offset_ms)
        return None

    def told_within(self, ms, event, a=None, b=None):
        told_ms = self.told_ms(event, a, b)
        assert told_ms is not None, f"{event} was not told"
        assert told_ms <= ms, f"{event} told after {told_ms:.0f} ms"

    def warnings_since_strike(self):
        """Names of all warnings that came on since."""
        return {states.WARNINGS[e.a][0] for e in self.host.events[self._told_from :]
                if states.name(states.EVENTS, e.event) == "WARNING_ON"}  # fmt: skip

    def held(self, *causes):
        """HELD for one of these causes, told on the link and in plain words on the display."""
        assert (self.host.state, self.host.cause) in [("HELD", cause) for cause in causes]
        self.ride(0.5)
        cause = next(row for row in states.CAUSES if row[0] == self.host.cause)
        self.shown(cause[1])

    def locked(self, *waits):
        """Not armed, and the rider is told what is in the way."""
        assert (self.host.state, self.host.waits) in [("LOCKED", wait) for wait in waits]

    def shown(self, words):
        """The display says so."""
        screen = " ".join(self.box.screen_text())
        assert words in screen, screen

    def never_armed(self):
        assert "READY" not in self.host.states_seen()
        assert not self.above_idle(since_us=0)

    # -- what every run must keep ---------------------------------------------------------------------------------

    def keeps_what_every_run_must(self):
        assert self.struck_us is not None, "nothing struck"
        self._no_rise()
        if self._together:
            self._sides_together()
        self._no_section_below_its_floor()
        if self._with_host and self.host._fd >= 0:
            assert self.answered, "the host was not answered at all"

    def _no_rise(self):
        """No more thrust than before the strike; but in a ramp for `doubt_ms` and two frames, and in cutback as slowly
        as cutback gives back; with `rises` at any time, though never faster than the ramp."""
        assert self.struck_us is not None
        per_ms = 1000 / self.values.get("ramp_up_ms")
        for side in SIDES:
            before_pm = self._demand_of(side, self._before_us[side])
            for rise_us, width_us in self.pulses_after_strike(side):
                passed_ms = (rise_us - self.struck_us) / 1000 + 2 * FRAME_US / 1000
                if self._rises:
                    most_pm = before_pm + per_ms * passed_ms
                elif self.moment == "pulling away":
                    most_pm = before_pm + per_ms * min(passed_ms, self._doubt_ms + 2 * FRAME_US / 1000)
                elif self.moment == "cutback":
                    most_pm = before_pm + CUTBACK_BACK_PM_S * passed_ms / 1000
                else:
                    most_pm = before_pm
                pm = self._demand_of(side, width_us)
                assert pm <= most_pm + 3, f"side {side}: {pm:.0f} per mille {passed_ms:.0f} ms after {before_pm:.0f}"

    def _sides_together(self):
        pairs = list(zip(*(self.box.pulses(side) for side in SIDES), strict=False))
        apart = [(left, right) for left, right in pairs if left[1] != right[1]]
        assert not apart, f"sides apart: {apart[:3]}"
        counts = [len(self.box.pulses(side)) for side in SIDES]
        assert max(counts) - min(counts) <= 1, f"a side without pulses: {counts}"

    def _no_section_below_its_floor(self):
        floor_v = self.values.get("cell_floor_mv") / 1000 - FLOOR_SLACK_V
        below_s = self.truth.longest_below(floor_v)
        assert below_s <= FLOOR_SLACK_S, f"below {floor_v:.2f} V for {below_s:.2f} s, {min(self.truth.lowest_v):.3f} V"

