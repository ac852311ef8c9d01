"""What the box sends unasked: status at stream_hz, events as they come, numbered so that gaps show."""

import asyncio

from services.beats import STREAM
from shared_proto import frames
from shared_proto import messages as m
from shared_proto.states import BENCH

_SHORT_MS = 100  # events wait for this long at most
_TRIES = 3  # a pack takes far less than a frame, so the second is whole


class Stream:
    def __init__(self, control, store, clock, port, estimate, beats):
        self._control = control
        self._store = store
        self._clock = clock
        self._port = port
        self._estimate = estimate
        self._beats = beats
        self._number = 0

    async def run(self):
        """Never returns."""
        controller = self._control.controller
        part = 0
        while True:
            period_ms = 1000 // self._store.values.get("stream_hz")
            parts = (period_ms + _SHORT_MS - 1) // _SHORT_MS
            await asyncio.sleep_ms(period_ms // parts)
            self._beats.beat(STREAM, controller.now_ms)
            await self._send_events(controller)
            part += 1
            if part >= parts:
                part = 0
                await self._send(self.status())

    def status(self):
        """One status body, all of one step: what a step has come into the middle of is packed again."""
        self._number = (self._number + 1) & 0xFFFF
        times = self._control.take_times()
        c = self._control.controller
        for _ in range(_TRIES):
            now_ms = c.now_ms
            body = self._pack(c, now_ms, times)
            if c.now_ms == now_ms:
                break
        return body

    def _pack(self, c, now_ms, times):
        inputs = c.inputs
        out = c.outputs
        lock = c.interlock
        weakest_mv = c.strings.weakest_cell_mv
        estimate = self._estimate
        bench = c.bench
        # On the bench only a sensor tells the current: the estimate is by the demand of the lever.
        current_da = c.sense.current_da if lock.state == BENCH else estimate.current_da
        return m.STATUS.pack(
            self._number, now_ms, self._clock.unix_s(now_ms), lock.state, lock.cause, lock.waits,
            out.limit, out.limit_pm, out.warnings, out.lever_pm, out.demand_pm,
            inputs.lever_a_mv, inputs.lever_b_mv,
            inputs.stop_closed | inputs.button << 1 | inputs.brake << 2 | inputs.lever_switch << 3,
            c.strings.weakest + 1, weakest_mv, *out.pulse_us, *c.sense.mv, *c.strings.section_mv,
            *c.sense.fault, c.overruns, *times, c.events.lost, inputs.supply_mv, inputs.speed_dmh,
            *current_da, c.rest_cell_mv, *estimate.charge_pm, estimate.minutes_left,
            bench.phase, bench.side, bench.steps, bench.end, bench.left_ms())

    async def _send_events(self, controller):
        for _ in range(16):
            event = controller.events.take()
            if event is None:
                return
            self._number = (self._number + 1) & 0xFFFF
            await self._send(m.EVENT.pack(self._number, *event))

    async def _send(self, body):
        await self._port.send(frames.encode(body))
