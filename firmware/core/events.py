"""A ring of events that the step can write without allocating and two tasks empty, each in its own time.

The stream reads it with `take`, the log on flash with `take_for_log`. Neither makes the other lose an event: the
ring is full when the stream has left no room; a log that falls behind by a whole ring skips, and the skipped
ones are counted in `unlogged`.
"""

from array import array

_ROOM = 64


class Events:
    """`lost`: found no room, so neither reader got it."""

    def __init__(self):
        self._ring = array("i", [0] * (4 * _ROOM))
        self._put = 0
        self._take = 0
        self._log = 0
        self.lost = 0
        self.unlogged = 0

    def add(self, time_ms, event, a, b):
        """Note an event; when the ring is full it is lost and counted."""
        nxt = self._put + 1
        if nxt == _ROOM:
            nxt = 0
        if nxt == self._take:
            self.lost = min(self.lost + 1, 0xFFFF)
            return
        if nxt == self._log:
            self._log = 0 if nxt + 1 == _ROOM else nxt + 1
            self.unlogged = min(self.unlogged + 1, 0xFFFF)
        i = 4 * self._put
        ring = self._ring
        ring[i] = time_ms
        ring[i + 1] = event
        ring[i + 2] = a
        ring[i + 3] = b
        self._put = nxt

    def take(self):
        """The oldest event as (time_ms, event, a, b), or None. For tasks: it allocates."""
        if self._take == self._put:
            return None
        event = self._at(self._take)
        self._take = 0 if self._take + 1 == _ROOM else self._take + 1
        return event

    def take_for_log(self):
        """The same for the log, whatever the stream has taken."""
        if self._log == self._put:
            return None
        event = self._at(self._log)
        self._log = 0 if self._log + 1 == _ROOM else self._log + 1
        return event

    def _at(self, place):
        i = 4 * place
        ring = self._ring
        return (ring[i], ring[i + 1], ring[i + 2], ring[i + 3])
