"""The simulated board's serial port: a pseudo-terminal that any serial program can open."""

from __future__ import annotations

import errno
import fcntl
import os
import select
import sys
import termios
import time
import tty

_HANDED_OVER_S = 5  # far longer than the kernel takes for what is on its way


class Port:
    """`path` to open; `written` and `taken` count bytes to and from the host that has it open."""

    def __init__(self) -> None:
        self.path = ""
        self.written = 0
        self.taken = 0
        self.waits_us: list[int] = []  # of the board's writes, for a host that left no room
        self.reading = True  # False: the host holds the port open and does not read
        self._backlog = bytearray()
        self._master = -1
        self.plug_in()

    def plug_in(self) -> None:
        """Connect the cable; the path may be another than before."""
        if self._master < 0:
            self._master, slave = os.openpty()
            tty.setraw(slave)
            tty.setraw(self._master)
            os.set_blocking(self._master, False)
            self.path = os.ttyname(slave)
            os.close(slave)  # so that the kernel can say whether anybody else has it open

    def unplug(self) -> None:
        """Pull the cable: whoever has the port open sees it go."""
        if self._master >= 0:
            os.close(self._master)
            self._master = -1
        self._backlog.clear()

    def is_open(self) -> bool:
        """Whether a host has the port open."""
        if self._master < 0:
            return False
        poller = select.poll()
        poller.register(self._master, select.POLLIN)
        return not any(event & select.POLLHUP for _, event in poller.poll(0))

    def held_up(self) -> int:
        """Bytes in the board that the host leaves there, -1 when it takes what comes, or nobody has the port open."""
        if self._master < 0 or not self._backlog and self.reading:
            return -1
        return len(self._backlog)

    def send(self, data: bytes) -> None:
        """Bytes from the board."""
        if self._master >= 0:
            self._backlog += data
            self.flush()

    def flush(self) -> None:
        """Hand over what the host's end takes."""
        if self._master < 0 or not self._backlog or not self.reading:
            return
        if not self.is_open():
            self._backlog.clear()
            return
        try:
            n = os.write(self._master, self._backlog)
        except BlockingIOError:
            return
        self.written += n
        del self._backlog[:n]

    def receive(self) -> bytes:
        """Bytes from the host since the last call."""
        if self._master < 0:
            return b""
        try:
            data = os.read(self._master, 4096)
        except BlockingIOError:
            return b""
        except OSError as e:
            if e.errno == errno.EIO:  # nobody has it open
                return b""
            raise
        self.taken += len(data)
        return data

    def waiting(self) -> int:
        """Bytes from the host that the board could take now; the kernel hands them over a moment after the write."""
        if self._master < 0:
            return 0
        return int.from_bytes(fcntl.ioctl(self._master, termios.FIONREAD, bytes(4)), sys.byteorder)

    def wait_for(self, n_bytes: int) -> None:
        """Wait until as many bytes from the host could be taken. Raises TimeoutError after some seconds."""
        end_s = time.monotonic() + _HANDED_OVER_S
        select.select([self._master], [], [], _HANDED_OVER_S)
        while self.waiting() < n_bytes:  # it may come in two pieces
            if time.monotonic() > end_s:
                raise TimeoutError(f"{self.waiting()} of {n_bytes} bytes came")
            time.sleep(0)

    @property
    def pending(self) -> int:
        """Bytes that the host's end has not taken yet."""
        return len(self._backlog)

    def close(self) -> None:
        self.unplug()
