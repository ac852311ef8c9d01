"""Recording: from the stream of a client into a ride file."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable
from typing import Any

from barbox.link.client import Client
from barbox.rides import file
from shared_proto import messages


class Recorder:
    """Records from `start` to `finish`. Between them call `run`, or `pump` whenever something has arrived.

    started_unix_s  when the ride began, as the caller's clock or scenario says; None when nobody knows
    extra           more rows for the header of the file (JSON)
    """

    def __init__(
        self,
        client: Client,
        path: str | os.PathLike[str],
        started_unix_s: int | None,
        *,
        force: bool = False,
        room: int = 4096,
        **extra: Any,
    ) -> None:
        self._client = client
        self._path = path
        self._started_unix_s = started_unix_s
        self._force = force
        self._room = room
        self._extra = extra
        self._before: dict[str, int] = {}
        self.writer: file.RideWriter | None = None

    async def start(self) -> None:
        """Read the settings of the box, open the file and begin to listen. Raises BoxError, UserError."""
        client = self._client
        values = await client.read_values()
        head = file.header(client.identity, values, self._started_unix_s, **self._extra)
        self.writer = file.RideWriter(self._path, head, force=self._force)
        self._before = self._lost_now()
        self._stream = client.subscribe(self._room)

    def pump(self) -> int:
        """Write what has arrived, without waiting; returns the number of records."""
        assert self.writer is not None, "start() first"
        bodies = self._stream.take_bodies()
        for body in bodies:
            self.writer.add(body)
        return len(bodies)

    async def run(
        self, for_s: float | None = None, progress: Callable[[Recorder], None] | None = None
    ) -> None:
        """Record for `for_s` seconds, or until cancelled; `progress` is called about once a second.

        Raises BoxError when the link is lost or the box falls silent. The file stays open: call `finish`.
        """
        loop = asyncio.get_running_loop()
        end_s = None if for_s is None else loop.time() + for_s
        told_s = loop.time()
        while end_s is None or loop.time() < end_s:
            left_s = 1.0 if end_s is None else min(1.0, end_s - loop.time())
            body = await self._stream.next_body(left_s)
            if body is not None and self.writer is not None:
                self.writer.add(body)
                self.pump()
            if progress and loop.time() - told_s >= 1.0:
                told_s = loop.time()
                progress(self)

    @property
    def counts(self) -> tuple[int, int]:
        """(status records, event records) so far."""
        assert self.writer is not None, "start() first"
        return self.writer.counts[messages.STATUS.kind], self.writer.counts[messages.EVENT.kind]

    def losses(self) -> dict[str, int]:
        """What is missing since `start`: lost on the way, dropped here, frames and messages not understood."""
        lost = {name: n - self._before[name] for name, n in self._lost_now().items()}
        return lost | {"dropped": self._stream.dropped}

    def finish(self, ended: str) -> None:
        """Complete the file. `ended` says how the recording ended, in words."""
        if self.writer is None:
            return
        self.pump()
        status, events = self.counts
        self._stream.close()
        self.writer.close({"ended": ended, "status": status, "events": events, "losses": self.losses()})

    def _lost_now(self) -> dict[str, int]:
        client = self._client
        return {
            "bad_frames": client.bad_frames,
            "malformed": client.malformed,
            "missed": client.missed,
            "restarts": client.restarts,
        }
