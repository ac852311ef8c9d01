"""stdin and stdout of the board: the VM's own, with what they cost and what a host that does not read does."""

import _bus

_BLOCK_US = 500000  # a write waits this long for room after the last byte that found some
_FIFO = 256  # bytes that wait in the board, beside the packet that is offered to the host
_PACKET = 64
_TAKEN_US = 300  # until a host that reads has taken what it is offered
_LAST, _DATA1, _SEL, _ON_ITS_WAY = 0x4000, 0x2000, 0x1000, 0x0400

_fifo = 0  # bytes waiting
_packet = -1  # bytes offered, -1 nothing
_part = 0  # of it, that the host has taken (of whole packets only; a test may take less)
_kind = 0  # DATA0 or DATA1 of the next packet
_reads = True
_wrote_us = 0
buffer_control = 0  # of the IN endpoint


def _offer(size):
    global _packet, _fifo, _kind, buffer_control
    _packet = size
    _fifo -= size
    buffer_control = _LAST | _kind | _SEL | _ON_ITS_WAY | size
    _kind ^= _DATA1


def _take(n):
    """The host takes so many bytes."""
    global _packet, _part, buffer_control
    _part += n
    while 0 <= _packet <= _part:
        size = _packet
        _part -= size
        _packet = -1
        buffer_control &= ~_ON_ITS_WAY
        if _fifo:
            _offer(min(_PACKET, _fifo))
        elif size == _PACKET:
            _offer(0)
    if _packet < 0:
        _part = 0


def _pending(n):
    """From the host: bytes that it has not taken, -1 when it takes whatever comes."""
    global _reads
    _reads = n < 0
    inside = _fifo + max(_packet, 0) - _part
    if 0 <= n < inside:
        _take(inside - n)


_bus.on_pending = _pending


def settle():
    """What a host that reads has taken by now."""
    if _reads and _packet >= 0 and _bus.now - _wrote_us >= _TAKEN_US:
        _take(_fifo + _packet - _part)


def room():
    settle()
    return _FIFO - _fifo


class _In:
    def __init__(self, raw):
        self._raw = raw
        self.buffer = self

    def read(self, n=1):
        if not _bus.wait(-1, lambda: _bus.stdin_waiting() >= n):
            return b""
        _bus.spend(_bus.cost["stdin_byte"] * n)
        _bus.stdin_read += n
        return self._raw.read(n)


class _Out:
    def __init__(self, raw):
        self._raw = raw
        self.buffer = self

    def write(self, data):
        if isinstance(data, str):
            data = data.encode()
        _bus.hold(_bus.cost["stdout_call"] + _bus.cost["stdout_byte_x100"] * len(data) // 100)
        at = 0
        while at < len(data):  # the stream tries again until nothing of it goes
            n = self._put(data[at:])
            if n == 0:
                break
            at += n
        return at

    def _put(self, data):
        global _fifo, _wrote_us
        at = 0
        while True:
            n = min(len(data) - at, room())
            if n:
                self._raw.write(data[at : at + n])
                _fifo += n
                _wrote_us = _bus.now
                if _packet < 0:
                    _offer(min(_PACKET, _fifo))
                at += n
            else:
                began = _bus.now
                found = _bus.wait(_BLOCK_US, lambda: room() > 0)
                _bus.log(_bus.PORT_WAIT, 0, _bus.now - began)
                if not found:
                    return at
            if at == len(data):
                return at


stdin = None
stdout = None
_bus.interrupt = -1  # MicroPython arms it for main.py


def kbd_intr(char):
    """As `micropython.kbd_intr`: -1 makes every byte data."""
    _bus.interrupt = char


def open_on(sys):
    global stdin, stdout
    stdin = _In(sys.stdin.buffer)
    stdout = _Out(sys.stdout.buffer)
