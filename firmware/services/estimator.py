"""The estimators' task: means over a fifth of a second of what the steps left behind, to what the status shows.

It looks every 40 ms, as often as a part with two sense inputs has a new reading of both, and not in the step, which
has no time to spare. What it adds up are small integers in lists made once.
"""

import asyncio

import micropython

from services.beats import ESTIMATOR
from shared_proto.messages import NOT_KNOWN_MV, SENSES_MAX, SIDES_MAX
from shared_proto.states import BENCH

_LOOK_MS = 40
_EVERY_MS = 190  # an update follows the first look after so long
_LOOKS_MOST = 1000  # whatever the clock does, sums stay within 30 bits


class Means:
    """`section_mv`, `section_cells`, `demand_pm`, `current_da` as `Estimator.update` takes them, after `close`."""

    def __init__(self):
        self.section_mv = [NOT_KNOWN_MV] * SENSES_MAX
        self.section_cells = [0] * SENSES_MAX
        self.demand_pm = [0] * SIDES_MAX
        self.current_da = [NOT_KNOWN_MV] * SIDES_MAX
        self._mv = [0] * SENSES_MAX
        self._mv_looks = [0] * SENSES_MAX
        self._pm = [0] * SIDES_MAX
        self._da = [0] * SIDES_MAX
        self._da_looks = [0] * SIDES_MAX
        self._points = ()
        self._sides = 1
        self._looks = 0

    def configure(self, values):
        self._sides = values.get("sides")
        self._points = tuple([n for n in range(SENSES_MAX) if 0 < values.get("sense.side", n) <= self._sides])
        for n in range(SENSES_MAX):
            self.section_mv[n] = NOT_KNOWN_MV
            self.section_cells[n] = 0
        for side in range(SIDES_MAX):
            self.demand_pm[side] = 0
            self.current_da[side] = NOT_KNOWN_MV
        self.drop()

    def drop(self):
        """Forget what has been added up."""
        self._looks = 0
        for n in range(SENSES_MAX):
            self._mv[n] = self._mv_looks[n] = 0
        for side in range(SIDES_MAX):
            self._pm[side] = self._da[side] = self._da_looks[side] = 0

    @micropython.native
    def look(self, section_mv, section_cells, demand_pm, current_da):
        """Add what stands there now. A section that is lost, or is another one, begins anew."""
        if self._looks >= _LOOKS_MOST:
            return
        self._looks += 1
        sums = self._mv
        looks = self._mv_looks
        all_cells = self.section_cells
        for n in self._points:
            mv = section_mv[n]
            cells = section_cells[n]
            if mv == NOT_KNOWN_MV or cells != all_cells[n]:
                all_cells[n] = cells
                sums[n] = looks[n] = 0
            if mv != NOT_KNOWN_MV:
                sums[n] += mv
                looks[n] += 1
        for side in range(self._sides):
            self._pm[side] += demand_pm[side]
            da = current_da[side]
            if da != NOT_KNOWN_MV:
                self._da[side] += da
                self._da_looks[side] += 1
            else:
                self._da[side] = self._da_looks[side] = 0

    def close(self):
        """Means of what was added up since the last time."""
        for n in self._points:
            looks = self._mv_looks[n]
            self.section_mv[n] = (self._mv[n] + looks // 2) // looks if looks else NOT_KNOWN_MV
        for side in range(self._sides):
            self.demand_pm[side] = self._pm[side] // max(self._looks, 1)
            looks = self._da_looks[side]
            self.current_da[side] = (self._da[side] + looks // 2) // looks if looks else NOT_KNOWN_MV
        self.drop()


class EstimatorTask:
    """`estimate` (see services.estimate) is stepped; the weakest resting cell goes back to the step's warnings.
    `keep(word, word)` keeps what a watchdog reset must not lose."""

    def __init__(self, controller, estimate, beats, keep):
        self._controller = controller
        self.estimate = estimate
        self._beats = beats
        self._keep = keep
        self._means = Means()

    def configure(self, values):
        self.estimate.configure(values)
        self._means.configure(values)

    async def run(self):
        """Never returns."""
        controller = self._controller
        strings = controller.strings
        means = self._means
        last_ms = controller.now_ms
        while True:
            await asyncio.sleep_ms(_LOOK_MS)
            now_ms = controller.now_ms
            self._beats.beat(ESTIMATOR, now_ms)
            if controller.interlock.state == BENCH:  # sags that belong to no demand of the lever
                means.drop()
                last_ms = now_ms
                continue
            means.look(
                strings.section_mv, strings.section_cells, controller.limits.side_pm, controller.sense.current_da)
            since_ms = now_ms - last_ms & 0x3FFFFFFF
            if since_ms >= _EVERY_MS:
                last_ms = now_ms
                self._update(since_ms / 1000)

    def _update(self, dt_s):
        means = self._means
        means.close()
        estimate = self.estimate
        estimate.idle_side = self._controller.balance.side_idle
        estimate.update(dt_s, means.section_mv, means.section_cells, means.demand_pm, means.current_da)
        self._controller.rest_cell_mv = estimate.weakest_rest_cell_mv
        self._keep(*estimate.words())
