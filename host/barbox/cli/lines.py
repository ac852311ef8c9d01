"""Typed lines, read in a thread, so that an event loop goes on while somebody thinks."""

from __future__ import annotations

import asyncio
import os
import threading
from collections import deque


class Lines:
    """Lines of a file descriptor, read in a thread. At a terminal a line that was typed before it was asked for does
    not count: it would answer a question that nobody has read."""

    def __init__(self, fd: int) -> None:
        self.is_terminal = os.isatty(fd)
        self._fd = fd
        self._lines: deque[str | None] = deque()  # None: the input ended
        self._waiting: asyncio.Future[None] | None = None
        self._loop: asyncio.AbstractEventLoop | None = None

    async def next(self) -> str | None:
        """The next line, None at the end of the input."""
        if self._loop is None:
            self._loop = asyncio.get_running_loop()
            # A daemon that holds no lock of the interpreter's: whatever ends the command does not wait for a key.
            threading.Thread(target=self._read, daemon=True).start()
        elif self.is_terminal:
            ended = None in self._lines
            self._lines.clear()
            if ended:
                self._lines.append(None)
        while not self._lines:
            self._waiting = self._loop.create_future()
            try:
                await self._waiting
            finally:
                self._waiting = None
        line = self._lines.popleft()
        if line is None:
            self._lines.append(None)
        return line

    def _read(self) -> None:
        assert self._loop is not None
        rest = b""
        while True:
            try:
                data = os.read(self._fd, 4096)
            except OSError:
                data = b""
            *lines, rest = (rest + data).split(b"\n")
            if not data:
                lines += [rest] if rest else []
            told: list[str | None] = [line.decode("utf-8", "replace").rstrip("\r") for line in lines]
            try:
                self._loop.call_soon_threadsafe(self._take, told if data else [*told, None])
            except RuntimeError:  # the command is over
                return
            if not data:
                return

    def _take(self, lines: list[str | None]) -> None:
        self._lines.extend(lines)
        if self._waiting and not self._waiting.done() and self._lines:
            self._waiting.set_result(None)
