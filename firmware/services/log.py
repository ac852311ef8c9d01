"""What survives a reset: counters of faults, the last events, and what the estimators have learned.

Here it is in RAM, laid out as it stands on flash: one image, written whole to the older of two slots (see
services.slots), so that a power cut at any flash operation leaves the image before or the new one. An append log
would save nothing: littlefs writes a new sector for either, and one image keeps counters and events in step.
`services.log_task` decides when to write.
"""

import struct
from array import array

from services.slots import Slots
from shared_proto import messages as m
from shared_proto.states import (
    CAUSE_STOP_OPEN,
    EVENT_ARM_REFUSED,
    EVENT_ERROR,
    EVENT_LIMIT,
    EVENT_OVERRUN,
    EVENT_SENSE,
    EVENT_SETTINGS,
    EVENT_STATE,
    EVENT_WARNING_OFF,
    EVENT_WARNING_ON,
    HELD,
    LOCKED,
    READY,
    RESET_WATCHDOG,
    WARN_CUTBACK,
    WARN_GROUND,
    WARN_LOW,
    WARN_OVER_VOLTAGE,
    WARN_SETTINGS,
    WARN_SIDE,
    WARN_VERY_LOW,
)

ROOM = 64  # events
_PAGE = 10  # in one message
_RECORD = "<HBBIIHH"  # boot, event, times, time_ms, unix_s, a, b
_SIZE = struct.calcsize(_RECORD)
_HEAD = "<HHIIIHIIBBBBB"
_NOT_KEPT = (EVENT_WARNING_OFF, EVENT_ARM_REFUSED, EVENT_LIMIT)  # news of the ride, not of faults
# Of the others an event of their own tells, or they stand for as long as the rig is as it is.
_WARNINGS_KEPT = (
    WARN_LOW | WARN_VERY_LOW | WARN_CUTBACK | WARN_OVER_VOLTAGE | WARN_SETTINGS | WARN_SIDE | WARN_GROUND
)
_AGAIN = 6  # an event equal to one of so many before it ...
_AGAIN_MS = 10000  # ... within this time counts as the same once more, so that a loose wire does not fill the log
_MOST = 0xFFFF
BY_WATCHDOG = 0x80  # see `unseen` of m.FAULTS

# Places of the counters: only ever appended, since they lie on flash in this order.
_OVERRUNS, _UNLOGGED, _RESETS, _SENSE, _HELD, _ERRORS, _COUNTERS = 0, 1, 2, 10, 18, 34, 50


class Log:
    """`boots`: this start of the box. `unseen`: cause of a stop that no rider has cleared, 0 none; with
    BY_WATCHDOG added when the watchdog ended it; `told`: the rider has been told. `changed`: something here is not
    on flash."""

    def __init__(self, folder=""):
        self._slots = Slots([folder + "log.a", folder + "log.b"], b"BXL1")
        self.boots = 0
        self.since_boot = 1
        self.first = 0  # number of the oldest event that has not been forgotten
        self.end = 0  # one more than the number of the newest
        self.writes = 0
        self.write_errors = 0
        self.unseen = 0
        self.told = False
        self.short_runs = 0  # starts in a row after which the box ran only for a moment; kept by the task
        self.changed = False
        self.snapshot = b""  # of the estimators
        self._last_cause = 0
        self._last_boot = 0
        self._last_ms = 0
        self._last_unix_s = 0
        self._counters = array("H", [0] * _COUNTERS)
        self._ring = bytearray(ROOM * _SIZE)

    def load(self):
        """Take over what is on flash. What cannot be read there counts for nothing; `broken` tells."""
        self._slots.load(self._parse)

    @property
    def broken(self):
        """Something was on flash, and none of it could be read."""
        return self._slots.broken and self._slots.seq == 0

    def start(self, reset, was):
        """A new start of the box, by `reset`; `was`: what it did before (b of the boot event), 0 not known."""
        self.boots = min(self.boots + 1, _MOST)
        self._count(_RESETS + (reset & 7))
        if reset == RESET_WATCHDOG:
            self.unseen = BY_WATCHDOG | (was & 0x7F if was >> 8 == HELD + 1 else 0)
        self.changed = True

    def see(self, time_ms, event, a, b, unix_s):
        """Count an event, and keep it when it matters."""
        if event == EVENT_STATE:
            if a == HELD:
                self._count(_HELD + (b & 15))
                self._last_cause = b
                self._last_boot = self.boots
                self._last_ms = time_ms
                self._last_unix_s = unix_s
                # A rider who opens the stop loop and then switches off knows why the box stopped.
                self.unseen = b if b != CAUSE_STOP_OPEN else 0
                self.told = False
            elif a == LOCKED or a == READY:
                if self.unseen:
                    self.unseen = 0
                    self.changed = True
                return
            elif a < HELD:
                return
        elif event == EVENT_SENSE:
            if b == 0:
                return
            self._count(_SENSE + (b & 7))
        elif event == EVENT_OVERRUN:
            self._count(_OVERRUNS)
        elif event == EVENT_ERROR:
            self._count(_ERRORS + (a & 15))
        elif event in _NOT_KEPT or (event == EVENT_WARNING_ON and not _WARNINGS_KEPT >> a & 1):
            return
        if event != EVENT_SETTINGS:  # no fault: kept, and written with the next
            self.changed = True
        if not self._again(time_ms, event, a, b):
            struct.pack_into(_RECORD, self._ring, self.end % ROOM * _SIZE,
                             self.boots, event, 1, time_ms, unix_s, a, b)
            self.end += 1
            self.first = max(self.first, self.end - ROOM)

    def missed(self, count):
        """So many events were never seen."""
        for _ in range(min(count, 100)):
            self._count(_UNLOGGED)
        self.changed = True

    def date(self, now_ms, unix_s):
        """The wall clock has become known: date what this start has brought so far."""
        for number in range(self.first, self.end):
            at = number % ROOM * _SIZE
            boot, event, times, time_ms, known_s, a, b = struct.unpack_from(_RECORD, self._ring, at)
            if boot == self.boots and known_s == 0:
                then_s = unix_s - ((now_ms - time_ms) & 0x3FFFFFFF) // 1000
                struct.pack_into(_RECORD, self._ring, at, boot, event, times, time_ms, max(then_s, 0), a, b)
                self.changed = True
        if self._last_boot == self.boots and self._last_cause and self._last_unix_s == 0:
            self._last_unix_s = max(unix_s - ((now_ms - self._last_ms) & 0x3FFFFFFF) // 1000, 0)

    def save(self):
        """Write all of it. Raises OSError: then the flash still has what it had."""
        self.writes += 1
        head = struct.pack(
            _HEAD, self.boots, self.since_boot, self.first, self.end, self.writes, self._last_boot, self._last_ms,
            self._last_unix_s, self._last_cause, 0 if self.told else self.unseen, self.short_runs, _COUNTERS,
            len(self.snapshot))
        try:
            self._slots.commit(head, self._counters_bytes(), self.snapshot, self._ring)
        except OSError:
            self.writes -= 1
            self.write_errors = min(self.write_errors + 1, _MOST)
            raise
        self.changed = False

    def clear(self):
        """Count anew, forget the events, and write. Raises OSError: nothing is forgotten then."""
        kept = (self.first, self.since_boot, self.unseen, self._last_cause, array("H", self._counters))
        self.first = self.end
        self.since_boot = self.boots
        self.unseen = self._last_cause = 0
        for i in range(_COUNTERS):
            self._counters[i] = 0
        try:
            self.save()
        except OSError:
            self.first, self.since_boot, self.unseen, self._last_cause, self._counters = kept
            raise

    def page(self, request, first):
        """The LOG message with events from number `first` on."""
        first = min(max(first, self.first), self.end)
        count = min(self.end - first, _PAGE)
        columns = [[0] * _PAGE for _ in range(7)]
        for k in range(count):
            record = struct.unpack_from(_RECORD, self._ring, (first + k) % ROOM * _SIZE)
            for column, value in zip(columns, record):  # noqa: B905, MicroPython's zip has no strict
                column[k] = value
        boot, event, times, time_ms, unix_s, a, b = columns
        return m.LOG.pack(request, first, self.end, count, *boot, *time_ms, *unix_s, *event, *times, *a, *b)

    def faults(self, request, bad_frames, oversized_frames):
        """The FAULTS message."""
        c = self._counters
        return m.FAULTS.pack(
            request, self.boots, self.since_boot, *c[_HELD:_ERRORS], *c[_SENSE:_HELD], *c[_RESETS:_SENSE],
            *c[_ERRORS:_COUNTERS], c[_OVERRUNS], c[_UNLOGGED], self._last_cause, self._last_boot, self._last_ms,
            self._last_unix_s, self.unseen, 1 if self.changed else 0, self.writes, self.write_errors,
            min(bad_frames, _MOST), min(oversized_frames, _MOST))

    def _count(self, place):
        if self._counters[place] < _MOST:
            self._counters[place] += 1

    def _again(self, time_ms, event, a, b):
        """Whether this is one of the last events once more; then it is counted there."""
        for number in range(self.end - 1, max(self.end - 1 - _AGAIN, self.first - 1), -1):
            at = number % ROOM * _SIZE
            boot, its, times, its_ms, unix_s, its_a, its_b = struct.unpack_from(_RECORD, self._ring, at)
            if boot != self.boots or (time_ms - its_ms) & 0x3FFFFFFF > _AGAIN_MS:
                return False
            if its == event and (event == EVENT_OVERRUN or (its_a == a and its_b == b)):
                if event == EVENT_OVERRUN:
                    a = max(a, its_a)
                struct.pack_into(_RECORD, self._ring, at, boot, its, min(times + 1, 255), its_ms, unix_s, a, b)
                return True
        return False

    def _counters_bytes(self):
        return struct.pack("<%dH" % _COUNTERS, *self._counters)

    def _parse(self, payload):
        size = struct.calcsize(_HEAD)
        if len(payload) < size:
            raise ValueError("log too short")
        head = struct.unpack(_HEAD, payload[:size])
        boots, since_boot, first, end, writes, boot, ms, unix_s, cause, unseen, short_runs, counters, learned = head
        ring_at = size + 2 * counters + learned
        if len(payload) != ring_at + len(self._ring) or not 0 <= end - first <= ROOM:
            raise ValueError("log of another layout")
        self.boots, self.since_boot, self.first, self.end, self.writes = boots, since_boot, first, end, writes
        self._last_boot, self._last_ms, self._last_unix_s, self._last_cause = boot, ms, unix_s, cause
        self.unseen, self.short_runs = unseen, short_runs
        for i in range(min(counters, _COUNTERS)):
            self._counters[i] = struct.unpack_from("<H", payload, size + 2 * i)[0]
        self.snapshot = payload[size + 2 * counters : ring_at]
        self._ring[:] = payload[ring_at:]
