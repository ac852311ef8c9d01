"""An electronic speed controller: from pulses to duty."""

from __future__ import annotations

from barbox.sim.plant.params import EscSpec

OFF = "off"  # no supply
WAITING = "waiting"  # wants steady idle pulses
RUNNING = "running"
HOLDING = "holding"  # no pulses, last command kept
CUT = "cut"  # own low-voltage cutoff; wants idle
LEARNING = "learning"  # took full at power-up for a lesson

_SHORTEST_US, _LONGEST_US = 800, 2200  # a pulse outside is no pulse (common practice, no source)
_PULSE_GAP_S = 0.05  # idle seen before a longer gap does not count towards arming


class Esc:
    """`state` is one of the names above, `duty` 0..1."""

    __slots__ = (
        "_fresh", "_full_s", "_full_us", "_idle_s", "_idle_us", "_last_us", "_since_pulse_s", "_spec",
        "_zero_us", "duty", "state",
    )  # fmt: skip

    def __init__(self, spec: EscSpec):
        self._spec = spec
        self._idle_us, self._full_us = spec.idle_us, spec.full_us
        self._zero_us = spec.idle_seen_us
        self.restart()

    def restart(self) -> None:
        """Lose supply and get it back."""
        self.state = WAITING
        self.duty = self._idle_s = self._full_s = 0.0
        self._since_pulse_s = 1e9
        self._last_us = 0
        self._fresh = True

    def supply_lost(self) -> None:
        self.restart()
        self.state = OFF

    def step(self, dt_s: float, pulse_us: int | None, supply_v: float) -> float:
        """One interval in which the last pulse was `pulse_us` wide (None: no pulse). Returns the duty."""
        spec = self._spec
        if supply_v < spec.supply_min_v:
            if self.state != OFF:
                self.supply_lost()
            return 0.0
        if pulse_us is None or not _SHORTEST_US <= pulse_us <= _LONGEST_US:
            return self._without_pulse(dt_s)
        self._since_pulse_s = 0.0
        self._last_us = pulse_us
        state = self.state
        if state != RUNNING and state != HOLDING:
            return self._at_rest(dt_s, pulse_us)
        cutoff = spec.cutoff_v
        if cutoff is not None and supply_v < cutoff:
            self.state = CUT
            self.duty = 0.0
            return 0.0
        self.state = RUNNING
        if pulse_us <= self._zero_us:
            duty = 0.0
        elif pulse_us >= self._full_us:
            duty = 1.0
        else:
            starts_us = spec.starts_us if spec.starts_us is not None else self._idle_us
            duty = max((pulse_us - starts_us) / (self._full_us - starts_us), 0.0) ** spec.exponent
        self.duty = duty
        return duty

    def _without_pulse(self, dt_s: float) -> float:
        self._since_pulse_s += dt_s
        since = self._since_pulse_s
        if self.state in (RUNNING, HOLDING):
            if since > self._spec.hold_s:
                self.state = WAITING
                self.duty = self._idle_s = 0.0
            elif since > _PULSE_GAP_S:
                self.state = HOLDING
        elif since > _PULSE_GAP_S:
            self._idle_s = self._full_s = 0.0
            if self.state in (OFF, CUT):
                self.state = WAITING
        else:
            # Between two frames: the pulse before still counts.
            self._at_rest(dt_s, self._last_us)
        return self.duty

    def _at_rest(self, dt_s: float, pulse_us: int) -> float:
        spec = self._spec
        if self.state == OFF:
            self.state = WAITING
        if self.state == CUT:
            if pulse_us <= self._zero_us:
                self.state = RUNNING
            return 0.0
        if pulse_us <= spec.idle_seen_us:
            self._fresh = False
            self._full_s = 0.0
            self._idle_s += dt_s
            if self._idle_s >= spec.arm_s:
                if self.state == LEARNING:
                    self._idle_us = pulse_us
                    self._zero_us = pulse_us + spec.idle_seen_us - spec.idle_us
                self.state = RUNNING
                self._idle_s = 0.0
            return 0.0
        self._idle_s = 0.0
        if self.state == LEARNING:
            if pulse_us >= spec.learn_from_us:
                self._full_us = pulse_us
        elif self._fresh and spec.learns_end_points and pulse_us >= spec.learn_from_us:
            self._full_s += dt_s
            if self._full_s >= spec.learn_s:
                self.state = LEARNING
                self._full_us = pulse_us
        else:
            self._fresh = False
        return 0.0
