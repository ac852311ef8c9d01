"""The wall clock: an offset to the step's clock, set by a host; the board has no battery to keep one."""

_MASK = 0x3FFFFFFF  # the step's milliseconds wrap after 12.4 days
_HALF = 0x20000000
_FORTH_MS = 0x10000000  # after three days the offset is taken anew, long before half of a wrap


class Clock:
    """Right for as long as it is asked every few days; the log's task asks ten times a second."""

    def __init__(self):
        self._unix_s = 0
        self._at_ms = 0

    def set(self, unix_s, now_ms):
        self._unix_s = unix_s
        self._at_ms = now_ms

    def unix_s(self, at_ms):
        """Seconds since 1970-01-01 UTC at a moment of the step's clock, up to six days ago or now; 0 until set."""
        if self._unix_s == 0:
            return 0
        since_ms = ((at_ms - self._at_ms + _HALF) & _MASK) - _HALF  # below 0: before the clock was set
        if since_ms >= _FORTH_MS:
            self._unix_s += since_ms // 1000
            self._at_ms = (at_ms - since_ms % 1000) & _MASK
            return self._unix_s
        return self._unix_s + since_ms // 1000
