"""What any link to a box can do: bytes out, bytes in by callback, and one callback when it is lost."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable

from barbox.errors import BoxError


class Link(ABC):
    """Bytes to and from one box. The owner sets `on_data` and `on_lost` before `open`.

    Both callbacks run on the event loop that opened the link. Data are handed on as they arrive: a link keeps
    nothing back, so `bytes_received` says how far the reader has come.
    """

    def __init__(self, url: str) -> None:
        self.url = url
        self.bytes_received = 0
        self.bytes_sent = 0
        self.closing = False  # while `close` waits for the system
        self.on_data: Callable[[bytes], None] = _ignore
        self.on_lost: Callable[[BoxError], None] = _ignore

    @abstractmethod
    async def open(self) -> None:
        """Connect. Raises BoxError, in one sentence, when that is not possible."""

    @abstractmethod
    async def write(self, data: bytes) -> None:
        """Send `data`. Raises BoxError when the link is not open."""

    @abstractmethod
    async def close(self) -> None:
        """Disconnect and free the port. May be called twice; `on_lost` is not called."""

    def received(self, data: bytes) -> None:
        """For implementations: count `data` and hand it on."""
        self.bytes_received += len(data)
        self.on_data(data)


def _ignore(_: object) -> None:
    pass
