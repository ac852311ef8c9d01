"""Sides that should draw current and do not: a dead fan, or an ESC that re-started and waits for idle.

A side that works pulls its own string down. Five times a second the sag of each side under a steady demand is
held against the others', and a sudden rise of one string while demand has not fallen is noticed. Either makes
`side_idle`, which stands until the lever has been at rest, since with all thrust eased nothing can be told.
"""

from array import array

import micropython
from micropython import const

from shared_proto.messages import NOT_KNOWN_MV, SIDES_MAX

_EVERY_MS = const(200)
_REST_MS = const(1000)  # at zero demand for this long, the string's voltage is a reference
_FROM_PM = const(200)  # below this demand the sag is too small to judge
_PULL_ROUNDS = const(10)  # a pull is judged this long after it began: fans have spooled up
_LEAST_MV = const(300)  # sag of the side that works, at the least; common practice, no source
_LOOK_ROUNDS = const(5)  # how far back a rise is looked for: a second
_SLACK_PM = const(50)  # demand may have changed by this much meanwhile
_FALL_PM = const(10)  # between two rounds: demand falls, and fans run down for a while after
_CALM_ROUNDS = const(_LOOK_ROUNDS + 8)  # a rise is judged when demand has not fallen for this long before the look


class Balance:
    """`side_idle`: which side (from 0) shows no sag, -1 none."""

    def __init__(self):
        self.side_idle = -1
        self._ms = 0
        self._rest_ms = 0
        self._round = 0  # rounds since the pull began
        self._reference_mv = array("i", [NOT_KNOWN_MV] * SIDES_MAX)
        self._past_mv = array("i", [NOT_KNOWN_MV] * (SIDES_MAX * _LOOK_ROUNDS))
        self._past_pm = array("i", [0] * _LOOK_ROUNDS)
        self._before_pm = 0  # a round ago
        self._calm = 0  # rounds since demand last fell
        self._at = 0

    @micropython.native
    def update(self, dt_ms, top_mv, sides, demand_pm, lever_at_rest):
        """One step; `top_mv[side]` is the string's voltage or NOT_KNOWN_MV."""
        if self.side_idle >= 0 and lever_at_rest and demand_pm == 0:
            self.side_idle = -1
            self._rest_ms = 0
        if demand_pm == 0:
            if self._rest_ms < _REST_MS:
                self._rest_ms += dt_ms
        else:
            self._rest_ms = 0
        self._ms += dt_ms
        if self._ms < _EVERY_MS:
            return
        self._ms = 0
        if demand_pm < self._before_pm - _FALL_PM:
            self._calm = 0
        elif self._calm < _CALM_ROUNDS:
            self._calm += 1
        self._before_pm = demand_pm
        if demand_pm == 0:
            if self._rest_ms >= _REST_MS:
                for side in range(sides):
                    self._reference_mv[side] = top_mv[side]
            self._round = 0
        elif demand_pm >= _FROM_PM:
            if self._round <= _PULL_ROUNDS:
                self._round += 1
            if self._round == _PULL_ROUNDS:
                self._judge_pull(top_mv, sides)
            elif self._round > _PULL_ROUNDS:
                self._judge_rise(top_mv, sides, demand_pm)
        self._remember(top_mv, sides, demand_pm)

    def _judge_pull(self, top_mv, sides):
        """Sag since rest: a side with less than a quarter of the strongest's does not pull."""
        most_mv = 0
        least_mv = NOT_KNOWN_MV
        least = -1
        for side in range(sides):
            if top_mv[side] == NOT_KNOWN_MV or self._reference_mv[side] == NOT_KNOWN_MV:
                continue
            sag_mv = self._reference_mv[side] - top_mv[side]
            if sag_mv > most_mv:
                most_mv = sag_mv
            if sag_mv < least_mv:
                least_mv = sag_mv
                least = side
        if most_mv >= _LEAST_MV and least_mv < most_mv // 4:
            self.side_idle = least

    def _judge_rise(self, top_mv, sides, demand_pm):
        """A string that has risen within a second by most of a pull's sag while demand has not fallen."""
        if self._calm < _CALM_ROUNDS or demand_pm < self._past_pm[self._at] - _SLACK_PM:
            return
        for side in range(sides):
            past_mv = self._past_mv[SIDES_MAX * self._at + side]
            reference_mv = self._reference_mv[side]
            now_mv = top_mv[side]
            if past_mv == NOT_KNOWN_MV or reference_mv == NOT_KNOWN_MV or now_mv == NOT_KNOWN_MV:
                continue
            # Since the reference the pack has lost charge too, so the sag of now is at most this.
            sag_mv = reference_mv - past_mv
            rise_mv = now_mv - past_mv
            if rise_mv >= _LEAST_MV and 3 * rise_mv > sag_mv:
                self.side_idle = side

    def _remember(self, top_mv, sides, demand_pm):
        for side in range(sides):
            self._past_mv[SIDES_MAX * self._at + side] = top_mv[side]
        self._past_pm[self._at] = demand_pm
        self._at = 0 if self._at + 1 == _LOOK_ROUNDS else self._at + 1
