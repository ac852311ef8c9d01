"""The limits of the demand: each has a name and the lowest wins. All sides obey it together, unless the rig
opts out for cutback."""

from array import array

import micropython

from core.cutback import FULL, Cutback
from shared_proto.messages import SIDES_MAX
from shared_proto.states import (
    LIMIT_BRAKE,
    LIMIT_CUTBACK,
    LIMIT_NONE,
    LIMIT_RAMP,
    LIMIT_SENSE,
    LIMIT_SIDE,
    LIMIT_SINGLE_TRACK,
    LIMIT_SPEED,
    LIMIT_SUPPLY,
    LIMIT_UNPROVEN,
)


class Conditions:
    """What the limits depend on, filled in by the controller each step."""

    def __init__(self):
        self.clear()

    def clear(self):
        """To what stands before the first step."""
        self.lever_doubt = False  # the lever's reading of this step was wrong
        self.sense_lost = False  # a sense point is not believed
        self.blind = False  # a side has none left
        self.supply_low = False
        self.braking = False  # brake pressed, or not yet followed by the lever at rest
        self.side_idle = False  # a side that should draw current shows no sag
        self.speed_dmh = 0


class Limits:
    """`demand_pm` after limits and ramp, `side_pm` that of each side, of which `demand_pm` is the highest; `limit` in
    force, `limit_pm` the lowest limit."""

    def __init__(self):
        self.demand_pm = 0
        self.side_pm = [0] * SIDES_MAX
        self.limit = LIMIT_NONE
        self.limit_pm = 1000
        self.cutback_pm = 1000
        self.conditions = Conditions()
        self.unproven = False  # a side's stop has not been proved
        self._given = 0
        self._own = array("i", [0] * SIDES_MAX)  # given to each side of a rig that opted out
        self._cutbacks = [Cutback() for _ in range(SIDES_MAX)]
        self._sides = 1
        self._together = True
        self._ramp_up_ms = 2000
        self._ramp_down_ms = 300
        self._fixed_pm = 1000
        self._fixed = LIMIT_NONE
        self._sense_cap_pm = 0
        self._fade_from = 0
        self._fade_span = 1

    def configure(self, values):
        get = values.get
        self._sides = get("sides")
        self._together = get("together") == 1
        self._ramp_up_ms = get("ramp_up_ms")
        self._ramp_down_ms = get("ramp_down_ms")
        self._fixed_pm = 1000
        self._fixed = LIMIT_NONE
        self.unproven = False
        for side in range(self._sides):
            if not get("side.proven", side):
                self.unproven = True
                self._fixed_pm = get("unproven_cap_pm")
                self._fixed = LIMIT_UNPROVEN
        # A rest switch is a second opinion on the lever, as a second track is.
        single = get("lever_tracks") == 1 and not get("lever_switch")
        if single and get("single_track_cap_pm") < self._fixed_pm:
            self._fixed_pm = get("single_track_cap_pm")
            self._fixed = LIMIT_SINGLE_TRACK
        self._sense_cap_pm = 0 if get("sense_policy") else get("sense_cap_pm")
        self._fade_from = get("fade_from_dmh") if get("wheel_mm") else 0
        self._fade_span = max(1, get("fade_to_dmh") - self._fade_from)
        for cutback in self._cutbacks:
            cutback.configure(values)
        self.cutback_pm = 1000

    def idle(self):
        """At once, without a ramp: stop input, HELD, LOCKED."""
        self._given = 0
        self.demand_pm = 0
        for side in range(SIDES_MAX):
            self.side_pm[side] = self._own[side] = 0

    @micropython.native
    def update(self, lever_pm, strings, dt_us):
        """One step: what the lever asks for, and the strings after their own step."""
        given = self._given
        together = self._together
        rise_pm = cutback_pm = 1000  # what a rig that opted out leaves to each side, in _each_side
        if together:
            cutback = self._cutbacks[0]
            cutback.update(strings.weakest_cell_mv, given, dt_us)
            rise_pm = cutback.rise_pm
            self.cutback_pm = cutback_pm = cutback.limit // 1000

        limit = self._fixed
        limit_pm = self._fixed_pm
        if cutback_pm < limit_pm:
            limit = LIMIT_CUTBACK
            limit_pm = cutback_pm
        c = self.conditions
        if c.sense_lost and self._sense_cap_pm < limit_pm:
            limit = LIMIT_SENSE
            limit_pm = self._sense_cap_pm
        if self._fade_from and c.speed_dmh > self._fade_from:
            fade_pm = 1000 - 1000 * (c.speed_dmh - self._fade_from) // self._fade_span
            if fade_pm < limit_pm:
                limit = LIMIT_SPEED
                limit_pm = fade_pm if fade_pm > 0 else 0
        if c.blind:
            limit = LIMIT_SENSE
            limit_pm = 0
        if c.side_idle:
            limit = LIMIT_SIDE
            limit_pm = 0
        if c.supply_low:
            limit = LIMIT_SUPPLY
            limit_pm = 0
        if c.braking:
            limit = LIMIT_BRAKE
            limit_pm = 0
        self.limit_pm = limit_pm

        target_pm = lever_pm
        if target_pm > limit_pm:
            target_pm = limit_pm
        else:
            limit = LIMIT_NONE
        target = 1000 * target_pm
        if c.lever_doubt:
            limit = self.limit  # what a wrong reading asks for is no news
        if target > given:
            if c.lever_doubt:
                target = given  # not even up the ramp to what was asked before
            given += 1000 * dt_us // self._ramp_up_ms * rise_pm // 1000
            if given >= target:
                given = target
            elif rise_pm < 1000:
                limit = LIMIT_CUTBACK
            else:
                limit = LIMIT_RAMP
        elif target < given:
            given -= 1000 * dt_us // self._ramp_down_ms
            if given < target:
                given = target
        self._given = given
        self.limit = limit
        self.demand_pm = demand_pm = given // 1000
        if not together:
            self._each_side(strings, dt_us)
            return
        side_pm = self.side_pm
        for side in range(self._sides):
            side_pm[side] = demand_pm

    @micropython.native
    def _each_side(self, strings, dt_us):
        """A rig that opted out: each side has a cutback of its own, which eases it and slows its rise."""
        given = self._given
        up = 0 if self.conditions.lever_doubt else 1000 * dt_us // self._ramp_up_ms
        down = 1000 * dt_us // self._ramp_down_ms
        lowest = FULL
        highest = 0
        eased = False
        for side in range(self._sides):
            cutback = self._cutbacks[side]
            own = self._own[side]
            cutback.update(strings.side_cell_mv[side], own, dt_us)
            target = given if given < cutback.limit else cutback.limit
            if own < target:
                own += up * cutback.rise_pm // 1000
                if own > target:
                    own = target
            else:
                own -= down
                if own < target:
                    own = target
            self._own[side] = own
            if own > highest:
                highest = own
            self.side_pm[side] = own // 1000
            if own < given:
                eased = True
            if cutback.limit < lowest:
                lowest = cutback.limit
        self.demand_pm = highest // 1000
        self.cutback_pm = cutback_pm = lowest // 1000
        if eased and (self.limit == LIMIT_NONE or self.limit == LIMIT_RAMP or cutback_pm < self.limit_pm):
            self.limit = LIMIT_CUTBACK
        if cutback_pm < self.limit_pm:
            self.limit_pm = cutback_pm
