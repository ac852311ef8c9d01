"""Warnings by stage, each with its own way back.

From the weakest section's voltage at rest, as an estimator believes it, so that a hard pull does not cry wolf
and a slow ride does not hide an empty string; and from its voltage under load only when cutback is near.
"""

import micropython
from micropython import const

from shared_proto.messages import NOT_KNOWN_MV, SENSES_MAX
from shared_proto.settings import NEGATIVE_WARN_MV, POINT
from shared_proto.states import (
    EVENT_WARNING_OFF,
    EVENT_WARNING_ON,
    WARN_ADC,
    WARN_CUTBACK,
    WARN_GROUND,
    WARN_LAST_STOP,
    WARN_LATE,
    WARN_LOW,
    WARN_OVER_VOLTAGE,
    WARN_SENSE,
    WARN_SETTINGS,
    WARN_SIDE,
    WARN_UNCALIBRATED,
    WARN_UNEVEN,
    WARN_UNPROVEN,
    WARN_VERY_LOW,
    WARNINGS,
)

_BACK_MV = const(40)  # a cell must recover by this much before a warning goes
_OVER_BACK_MV = const(20)  # and fall by this much: from 4.26 V back to less than a full cell and what it reads wrong
_DEEP_PM = const(600)  # cutback below this is a section that is all but empty, or about to be
_DEEP_BACK_PM = const(200)
_SLOW_MS = const(2000)  # time constant of the mean
_SHOWN_MS = const(10000)  # what is over in a moment is shown for longer


class Warnings:
    """`bits`: the WARN_* in force."""

    def __init__(self, events):
        self.bits = 0
        self.over_voltage = False  # a section is too full, by a mean: noise neither brings it nor ends it
        self.settings_lost = False
        self.last_stop = 0  # of the run before, that nobody has cleared: `unseen` of the FAULTS message
        self._events = events
        self._slow = -1  # weakest cell, mV times 256, -1 before the first reading
        self._high = -1  # fullest cell likewise
        self._near_mv = 0  # cutback is near below this, under load
        self._warn_mv = 0
        self._low_mv = 0
        self._over_mv = 0
        self._uncalibrated = False
        self._late_ms = 0
        self._ground_ms = 0

    def configure(self, values):
        get = values.get
        self._warn_mv = get("cell_warn_mv")
        self._low_mv = get("cell_low_mv")
        self._over_mv = get("cell_over_mv")
        self._near_mv = get("cell_floor_mv") + get("cutback_band_mv") * 3 // 2
        self._slow = self._high = -1
        self.over_voltage = False
        self._uncalibrated = False
        for n in range(SENSES_MAX):
            wired = 0 < get("sense.side", n) <= get("sides")
            if wired and get("sense.kind", n) == POINT and not get("sense.calibrated", n):  # no other kind ever is
                self._uncalibrated = True

    def late(self):
        """The step came late: shown for a while."""
        self._late_ms = _SHOWN_MS

    @micropython.native
    def update(self, now_ms, dt_ms, rest_mv, strings, limits, silent, uneven=-1, negative_mv=()):
        """`rest_mv`: the weakest section's mean cell voltage at rest, or NOT_KNOWN_MV; `silent`: an ADC is;
        `uneven`: sense input of a section unlike its neighbours, -1 none; `negative_mv`: of each
        side, against box ground."""
        conditions = limits.conditions
        cell_mv = strings.weakest_cell_mv
        bits = self.bits & (WARN_LOW | WARN_VERY_LOW)
        if cell_mv != NOT_KNOWN_MV:
            if self._slow < 0:
                self._slow = cell_mv << 8
            else:
                self._slow += ((cell_mv << 8) - self._slow) * dt_ms // _SLOW_MS
            slow_mv = self._slow >> 8
            known = rest_mv != NOT_KNOWN_MV  # else it ends no warning
            if rest_mv < self._warn_mv or slow_mv < self._near_mv:
                bits |= WARN_LOW
            elif known and rest_mv > self._warn_mv + _BACK_MV and slow_mv > self._near_mv + _BACK_MV:
                bits &= ~WARN_LOW
            # An estimate can be wrong, and is for a section of much resistance: deep cutback needs no estimate.
            if rest_mv < self._low_mv or limits.cutback_pm < _DEEP_PM:
                bits |= WARN_VERY_LOW
            elif known and rest_mv > self._low_mv + _BACK_MV and limits.cutback_pm > _DEEP_PM + _DEEP_BACK_PM:
                bits &= ~WARN_VERY_LOW
        self._look_at_the_fullest(dt_ms, strings.highest_cell_mv)
        if limits.cutback_pm < 1000:
            bits |= WARN_CUTBACK
        if conditions.sense_lost:
            bits |= WARN_SENSE
        if silent:
            bits |= WARN_ADC
        if conditions.side_idle:
            bits |= WARN_SIDE
        if self.over_voltage:
            bits |= WARN_OVER_VOLTAGE
        if uneven >= 0:
            bits |= WARN_UNEVEN
        if self._uncalibrated:
            bits |= WARN_UNCALIBRATED
        if limits.unproven:
            bits |= WARN_UNPROVEN
        if self.settings_lost:
            bits |= WARN_SETTINGS
        if self.last_stop:
            bits |= WARN_LAST_STOP
        for side in range(len(negative_mv)):
            if negative_mv[side] < -NEGATIVE_WARN_MV:
                self._ground_ms = _SHOWN_MS
        if self._ground_ms > 0:
            self._ground_ms -= dt_ms
            bits |= WARN_GROUND
        if self._late_ms > 0:
            self._late_ms -= dt_ms
            bits |= WARN_LATE
        if bits != self.bits:
            self._tell(now_ms, bits, strings.weakest + 1, uneven + 1)
            self.bits = bits

    @micropython.native
    def _look_at_the_fullest(self, dt_ms, cell_mv):
        """`cell_mv`: mean cell voltage of the fullest section, 0 when none is known."""
        if cell_mv == 0:
            self._high = -1
            self.over_voltage = False
            return
        if self._high < 0:
            self._high = cell_mv << 8
        else:
            self._high += ((cell_mv << 8) - self._high) * dt_ms // _SLOW_MS
        high_mv = self._high >> 8
        if high_mv > self._over_mv:
            self.over_voltage = True
        elif high_mv < self._over_mv - _OVER_BACK_MV:
            self.over_voltage = False

    def _tell(self, now_ms, bits, weakest, uneven):
        changed = bits ^ self.bits
        for n in range(len(WARNINGS)):
            bit = 1 << n
            if changed & bit:
                about = 0
                if bit & (WARN_LOW | WARN_VERY_LOW | WARN_CUTBACK):
                    about = weakest
                elif bit == WARN_UNEVEN:
                    about = uneven
                self._events.add(now_ms, EVENT_WARNING_ON if bits & bit else EVENT_WARNING_OFF, n, about)
