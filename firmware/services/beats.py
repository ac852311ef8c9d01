"""Heartbeats: the tasks that matter show that they run; without them the box stops and the watchdog is not fed."""

from array import array

LINK, STREAM, HOUSE, ESTIMATOR = range(4)
TASKS = ("link", "stream", "house", "estimator")

_SILENT_MS = 1000


class Beats:
    def __init__(self):
        self._last_ms = array("i", [0] * len(TASKS))

    def beat(self, task, now_ms):
        self._last_ms[task] = now_ms

    def fresh(self, now_ms):
        """False when a task has been silent for a second. Allocates nothing."""
        return self.silent(now_ms) < 0

    def silent(self, now_ms):
        """The first task that has been silent for a second, -1 none. Allocates nothing."""
        for t in range(len(TASKS)):
            # The clock of the step wraps at 2**30; so does this difference.
            if (now_ms - self._last_ms[t]) & 0x3FFFFFFF > _SILENT_MS:
                return t
        return -1
