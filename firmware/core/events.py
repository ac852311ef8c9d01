"""A ring of events that the step can write without allocating and a task empties in its own time."""

from array import array

_ROOM = 64


class Events:
    def __init__(self):
        self._ring = array("i", [0] * (4 * _ROOM))
        self._put = 0
        self._take = 0
        self.lost = 0

    def add(self, time_ms, event, a, b):
        """Note an event; when the ring is full it is lost and counted."""
        nxt = self._put + 1
        if nxt == _ROOM:
            nxt = 0
        if nxt == self._take:
            self.lost = min(self.lost + 1, 0xFFFF)
            return
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
        i = 4 * self._take
        ring = self._ring
        event = (ring[i], ring[i + 1], ring[i + 2], ring[i + 3])
        self._take = 0 if self._take + 1 == _ROOM else self._take + 1
        return event
