"""A box on a serial port: USB, a UART adapter, or the pseudo-terminal of a simulated box."""

from __future__ import annotations

import asyncio
import errno
import os
from typing import Any

import serial
from serial_asyncio_fast import SerialTransport

from barbox.errors import BoxError
from barbox.link.base import Link

BAUD = 115200  # a real UART needs it; USB and pseudo-terminals ignore it
WRITE_LIMIT_S = 0.5
CLOSE_LIMIT_S = 1.0
LOST = "the link was lost: unplugged or switched off"


class SerialLink(Link):
    """`serial:PATH`, or a bare path such as /dev/ttyACM0 or COM5. The port is opened for this process alone."""

    def __init__(self, url: str, *, write_limit_s: float = WRITE_LIMIT_S) -> None:
        super().__init__(url)
        self.path = url.removeprefix("serial:")
        self._write_limit_s = write_limit_s
        self._transport: _Transport | None = None
        self._protocol: _Protocol | None = None

    async def open(self) -> None:
        """Raises BoxError: not there, busy, no permission, not a serial port."""
        loop = asyncio.get_running_loop()
        try:
            port = serial.Serial(self.path, BAUD, timeout=0, write_timeout=0, exclusive=True)
        except (serial.SerialException, OSError, ValueError) as error:
            raise BoxError(why_not_open(self.path, error)) from error
        self._protocol = _Protocol(self, loop.create_future())
        self._transport = _Transport(loop, self._protocol, port)

    async def write(self, data: bytes) -> None:
        """Send `data`, one writer at a time. Raises BoxError: not open, or the port's buffer stays full."""
        loop = asyncio.get_running_loop()
        end_s = loop.time() + self._write_limit_s
        self.bytes_sent += len(data)
        while True:
            if self._transport is None:
                raise BoxError(f"{self.path}: the port is not open")
            if self._transport.is_closing():
                raise BoxError(f"{self.path}: {LOST}")
            data = data[self._transport.write_some(data) :]
            if not data:
                return
            if loop.time() >= end_s:
                raise BoxError(f"{self.path}: the box does not take what is sent to it; restart it")
            await asyncio.sleep(0.005)

    async def close(self) -> None:
        """Free the port, within CLOSE_LIMIT_S."""
        transport, protocol = self._transport, self._protocol
        self._transport = self._protocol = None
        if transport is None or protocol is None:
            return
        protocol.wanted = True
        self.closing = True
        try:
            if not transport.is_closing():
                # Not close(): that waits, without limit, for a reader that may be gone.
                transport.abort()
            await asyncio.wait({protocol.closed}, timeout=CLOSE_LIMIT_S)
        finally:
            self.closing = False


class _Transport(SerialTransport):
    """The library's transport with a write that waits for nothing, and errors that print nothing."""

    _serial: Any

    def write_some(self, data: bytes) -> int:
        """Number of bytes that the port took at once.

        On POSIX past the library: its write spins, for ever, on a port that takes nothing (pyserial 3.5), and
        after a partial write it leaves its writer registered (pyserial-asyncio-fast 0.16).
        """
        if os.name == "nt":
            self.write(data)
            return len(data)
        try:
            return os.write(self._serial.fileno(), data)
        except BlockingIOError:
            return 0
        except OSError as error:
            self._abort(error)
            return 0

    def _fatal_error(self, exc: BaseException, message: str = "") -> None:
        # The library logs a traceback here; a port that was unplugged is told through on_lost instead.
        self._abort(exc)


class _Protocol(asyncio.Protocol):
    def __init__(self, link: SerialLink, closed: asyncio.Future[None]) -> None:
        self.wanted = False
        self.closed = closed
        self._link = link

    def data_received(self, data: bytes) -> None:
        self._link.received(data)

    def connection_lost(self, exc: Exception | None) -> None:
        if not self.closed.done():
            self.closed.set_result(None)
        if not self.wanted:
            self._link.on_lost(BoxError(f"{self._link.path}: {LOST}"))


def why_not_open(path: str, error: Exception) -> str:
    """One sentence for a port that does not open."""
    number = getattr(error, "errno", None)
    text = str(error)
    # On Windows pyserial gives no number, only the text of the exception behind it.
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO) or "FileNotFoundError" in text:
        return f"{path}: there is no such port; plug the box in, or see `barbox boxes`"
    if number in (errno.EAGAIN, errno.EBUSY) or "PermissionError" in text or "exclusively lock" in text:
        return f"{path}: the port is busy; close the other program that uses it"
    if number in (errno.EACCES, errno.EPERM):
        return f"{path}: no permission to open the port; add yourself to its group (dialout, on many systems)"
    if number in (None, errno.ENOTTY, errno.EISDIR, errno.EINVAL):
        return f"{path}: this is not a serial port"
    return f"{path}: the port does not open: {os.strerror(number)}"
