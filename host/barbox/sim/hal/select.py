"""`select` in virtual time: where an idle program's time passes."""

import _bus
import _streams

POLLIN = 1
POLLOUT = 4
POLLERR = 8
POLLHUP = 16


class _Poll:
    def __init__(self):
        self._entries = []  # [object, mask]

    def register(self, obj, mask=POLLIN | POLLOUT):
        for e in self._entries:
            if e[0] is obj:
                e[1] = mask
                return
        self._entries.append([obj, mask])

    def modify(self, obj, mask):
        self.register(obj, mask)

    def unregister(self, obj):
        for e in self._entries:
            if e[0] is obj:
                self._entries.remove(e)
                return

    def _ready(self):
        self._found = [(e[0], m) for e in self._entries for m in (_look(e[0], e[1]),) if m]
        return bool(self._found)

    def poll(self, ms=-1):
        if ms == 0:
            return self._found if self._ready() else []
        _bus.wait(1000 * ms if ms >= 0 else -1, self._ready)
        return self._found

    def ipoll(self, ms=-1, flags=0):
        return iter(self.poll(ms))


def _look(obj, mask):
    if obj is _streams.stdin or obj is _streams.stdin.buffer:
        return mask & POLLIN if _bus.stdin_waiting() > 0 else 0
    if obj is _streams.stdout or obj is _streams.stdout.buffer:
        return mask & POLLOUT if _streams.room() > 0 else 0  # for one byte
    return obj.ioctl(3, mask) & mask


def poll():
    return _Poll()
