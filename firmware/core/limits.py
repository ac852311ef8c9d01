"""The limits of the demand: each has a name, the lowest wins, and both sides obey it together."""

from shared_proto.messages import NOT_KNOWN_MV
from shared_proto.states import (
    LIMIT_CUTBACK,
    LIMIT_NONE,
    LIMIT_RAMP,
    LIMIT_SENSE,
    LIMIT_SINGLE_TRACK,
    LIMIT_UNPROVEN,
)

_FULL = 1000000  # demand in millionths: a 20 ms step of the slowest ramp is still a whole number
_RECOVER = 30  # cutback gives back 30 per mille a second: far slower than the packs recover, so no hunting


class Limits:
    """`demand_pm` after limits and ramp, `limit` in force and `limit_pm`, the lowest limit."""

    def __init__(self):
        self.demand_pm = 0
        self.limit = LIMIT_NONE
        self.limit_pm = 1000
        self.cutback_pm = 1000
        self._given = 0
        self._cut = _FULL
        self._ramp_up_ms = 2000
        self._ramp_down_ms = 300
        self._fixed_pm = 1000
        self._fixed = LIMIT_NONE
        self.unproven = False  # a side's stop has not been proved
        self._sense_cap_pm = 0
        self._floor_mv = 0
        self._band_mv = 1

    def configure(self, values):
        get = values.get
        self._ramp_up_ms = get("ramp_up_ms")
        self._ramp_down_ms = get("ramp_down_ms")
        self._fixed_pm = 1000
        self._fixed = LIMIT_NONE
        self.unproven = False
        for side in range(get("sides")):
            if not get("side.proven", side):
                self.unproven = True
                self._fixed_pm = get("unproven_cap_pm")
                self._fixed = LIMIT_UNPROVEN
        if get("lever_tracks") == 1 and get("single_track_cap_pm") < self._fixed_pm:
            self._fixed_pm = get("single_track_cap_pm")
            self._fixed = LIMIT_SINGLE_TRACK
        self._sense_cap_pm = get("sense_cap_pm")
        self._floor_mv = get("cell_floor_mv")
        self._band_mv = get("cutback_band_mv")
        self._cut = _FULL
        self.cutback_pm = 1000

    def idle(self):
        """At once, without a ramp: stop input, HELD, LOCKED."""
        self._given = 0
        self.demand_pm = 0

    def update(self, lever_pm, weakest_cell_mv, sense_lost, blind, dt_us):
        """One step. `sense_lost`: a sense point is not believed; `blind`: a side has none left."""
        self._cutback(weakest_cell_mv, dt_us)
        limit = self._fixed
        limit_pm = self._fixed_pm
        if blind:
            limit = LIMIT_SENSE
            limit_pm = 0
        elif sense_lost and self._sense_cap_pm < limit_pm:
            limit = LIMIT_SENSE
            limit_pm = self._sense_cap_pm
        if self.cutback_pm < limit_pm:
            limit = LIMIT_CUTBACK
            limit_pm = self.cutback_pm
        self.limit_pm = limit_pm
        self.limit = LIMIT_NONE
        target_pm = lever_pm
        if target_pm > limit_pm:
            target_pm = limit_pm
            self.limit = limit
        target = 1000 * target_pm
        if target > self._given:
            self._given += 1000 * dt_us // self._ramp_up_ms
            if self._given >= target:
                self._given = target
            else:
                self.limit = LIMIT_RAMP
        elif target < self._given:
            self._given -= 1000 * dt_us // self._ramp_down_ms
            if self._given < target:
                self._given = target
        self.demand_pm = self._given // 1000

    def _cutback(self, weakest_cell_mv, dt_us):
        """Ease off in proportion to how far the weakest section is below the knee; give back slowly above it.

        The zone between the knee and half a band above it holds, and giving back is slow, so that thrust does
        not oscillate through the string's own resistance.
        """
        if weakest_cell_mv == NOT_KNOWN_MV:
            return
        band = self._band_mv
        over_mv = weakest_cell_mv - self._floor_mv - band
        if over_mv < 0:
            if self._cut > self._given:
                self._cut = self._given  # begin where we are, not at what the lever might ask
            deficit = -over_mv if over_mv > -2 * band else 2 * band
            self._cut -= dt_us * deficit // band  # one band below the knee: the full span in a second
            if self._cut < 0:
                self._cut = 0
        elif over_mv > band // 2 and self._cut < _FULL:
            self._cut += dt_us * _RECOVER // 1000
            if self._cut > _FULL:
                self._cut = _FULL
        self.cutback_pm = self._cut // 1000
