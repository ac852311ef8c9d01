"""The estimators' task: five times a second from what the step left behind to what the status shows."""

import asyncio

from services.beats import ESTIMATOR
from shared_proto.states import BENCH

_EVERY_MS = 200


class EstimatorTask:
    """`estimate` (see services.estimate) is stepped; the weakest resting cell goes back to the step's warnings."""

    def __init__(self, controller, estimate, beats):
        self._controller = controller
        self.estimate = estimate
        self._beats = beats
        self._cells = []  # of the section below each sense input

    def configure(self, values):
        self.estimate.configure(values)

    async def run(self):
        """Never returns."""
        controller = self._controller
        estimate = self.estimate
        last_ms = controller.now_ms
        while True:
            await asyncio.sleep_ms(_EVERY_MS)
            now_ms = controller.now_ms
            self._beats.beat(ESTIMATOR, now_ms)
            dt_s = ((now_ms - last_ms) & 0x3FFFFFFF) / 1000
            last_ms = now_ms
            if controller.interlock.state == BENCH:
                continue  # sags that belong to no demand of the lever would teach what is wrong
            strings = controller.strings
            estimate.update(dt_s, strings.section_mv, strings.section_cells, controller.limits.side_pm,
                            controller.sense.current_da)
            controller.rest_cell_mv = estimate.weakest_rest_cell_mv
