"""The wall clock: an offset to the step's clock, set by a host; the board has no battery to keep one."""


class Clock:
    def __init__(self):
        self._unix_s = 0
        self._at_ms = 0

    def set(self, unix_s, now_ms):
        self._unix_s = unix_s
        self._at_ms = now_ms

    def unix_s(self, now_ms):
        """Seconds since 1970-01-01 UTC, 0 until set."""
        if self._unix_s == 0:
            return 0
        return self._unix_s + ((now_ms - self._at_ms) & 0x3FFFFFFF) // 1000
