"""Requests that come over a port, answered on the same port."""

import asyncio

from services.beats import LINK
from shared_proto import frames

_LISTEN_MS = 400  # so that silence on the line still shows a heartbeat


class Link:
    """`wired`: the host is at the other end of a cable, where the builder can see the fans."""

    def __init__(self, port, requests, controller, beats, wired=False):
        self._wired = wired
        self._port = port
        self._requests = requests
        self._controller = controller
        self._beats = beats
        self.decoder = frames.Decoder()

    async def run(self):
        """Never returns."""
        while True:
            try:
                await asyncio.wait_for_ms(self._port.wait(), _LISTEN_MS)
            except asyncio.TimeoutError:
                pass  # bytes that came in the same moment are there all the same
            self._beats.beat(LINK, self._controller.now_ms)
            for body in self.decoder.feed(self._port.take()):
                answer = self._requests.answer(body, self._wired)
                if answer:
                    await self._port.send(frames.encode(answer))
