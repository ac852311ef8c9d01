"""Rides for the estimator: what a rider's thumb does, what the sense wires then tell, and how it is fed in."""

from __future__ import annotations

import math
from random import Random

from services.estimate import Estimator
from shared_proto.messages import NOT_KNOWN_MV, SENSES_MAX, SIDES_MAX
from shared_proto.settings import Values

TICK_S = 0.2
UNKNOWN = 0xFFFF


def rig(sections: tuple[int, ...] = (5, 5), sides: int = 2, capacity_mah: int = 0, full_a: float = 0.0) -> Values:
    """Settings of `sides` equal sides with a sense point at the top of each section, sense inputs side after side.

    `full_a` above 0: a measured curve that follows demand^1.5.
    """
    values = Values()
    values.put("rig", b"desk")
    values.put("sides", sides)
    for n in range(SENSES_MAX):
        values.put("sense.side", 0, n)
    for side in range(sides):
        values.put("side.cells", sum(sections), side)
        values.put("side.capacity_mah", capacity_mah, side)
        # Linearised: thrust in proportion to demand, so speed with its square root and power with demand^1.5.
        values.put("side.curve", tuple(round(1000 * (i / 10) ** 0.5) for i in range(11)), side)
        if full_a:
            curve = tuple(round(10 * full_a * (i / 10) ** 1.5) for i in range(11))
            values.put("side.current_da", curve, side)
        for k in range(len(sections)):
            values.put("sense.side", side + 1, side * len(sections) + k)
            values.put("sense.cells", sum(sections[: k + 1]), side * len(sections) + k)
    return values


def ride(seed: int, seconds: float, mean_pm: int = 450) -> list[int]:
    """Demand at each tick of a ride: straights, bends, pulls at full thrust, now and then a halt; ramped."""
    random = Random(seed)
    wanted: list[int] = [0] * int(10 / TICK_S)
    while len(wanted) * TICK_S < seconds:
        kind = random.random()
        if kind < 0.15:
            piece = (0, random.uniform(10, 60))
        elif kind < 0.27:
            piece = (1000, random.uniform(10, 20))
        else:
            piece = (min(1000, max(150, int(random.gauss(mean_pm, 150)))), random.uniform(5, 40))
        wanted += [piece[0]] * int(piece[1] / TICK_S)
    return ramped(wanted[: int(seconds / TICK_S)])


def pulses(seconds: float, demand_pm: int = 1000, on_s: float = 20, off_s: float = 40) -> list[int]:
    """Demand at each tick of a pulsed discharge."""
    cycle = [demand_pm] * int(on_s / TICK_S) + [0] * int(off_s / TICK_S)
    start = [0] * int(10 / TICK_S)
    return ramped((start + cycle * (int(seconds / (on_s + off_s)) + 1))[: int(seconds / TICK_S)])


def constant(seconds: float, demand_pm: int) -> list[int]:
    """Demand at each tick of a steady pull, after ten seconds of rest."""
    rest = int(10 / TICK_S)
    return ramped([0] * rest + [demand_pm] * (int(seconds / TICK_S) - rest))


def ramped(wanted: list[int], up_s: float = 2.0, down_s: float = 0.3) -> list[int]:
    """Through the ramps that the box would put on it."""
    given, out = 0.0, []
    for pm in wanted:
        given = min(pm, given + 1000 * TICK_S / up_s) if pm > given else max(pm, given - 1000 * TICK_S / down_s)
        out.append(round(given))
    return out


def sensed_mv(volts: float, random: Random, noise_mv: float = 5.0) -> int:
    """A section's mean reading of one tick: noise, and quantised to 2 mV."""
    return 2 * round((1000 * volts + random.gauss(0, noise_mv)) / 2)


class Feed:
    """Calls an estimator with lists of its own, as the 5 Hz task does."""

    def __init__(self, values: Values, estimator: Estimator | None = None):
        self.estimator = estimator or Estimator()
        self.estimator.configure(values)
        self.sections_mv = [NOT_KNOWN_MV] * SENSES_MAX
        self.cells = [0] * SENSES_MAX
        self.demand_pm = [0] * SIDES_MAX
        self.sensor_da = [UNKNOWN] * SIDES_MAX
        below = [0] * SIDES_MAX
        for n in range(SENSES_MAX):
            side = values.get("sense.side", n) - 1
            if side >= 0:
                self.cells[n] = values.get("sense.cells", n) - below[side]
                below[side] = values.get("sense.cells", n)

    def tick(self, dt_s: float = TICK_S) -> Estimator:
        self.estimator.update(dt_s, self.sections_mv, self.cells, self.demand_pm, self.sensor_da)
        return self.estimator


def ocv_mv(s: float) -> float:
    """Voltage at rest at a charge of 0..1: T. Kim, W. Qiao, IEEE Trans. Energy Conversion 26(4), 2011."""
    return 1000 * (-0.852 * math.exp(-63.867 * s) + 3.6297 + 0.559 * s - 0.51 * s * s + 0.508 * s**3)


class Bench(Feed):
    """A feed that holds packs as well: equal cells, each a resistance, an RC pair and the curve of Kim and Qiao."""

    FAST_MOHM, SLOW_MOHM, SLOW_S = 2.0, 1.2, 40.0

    def __init__(self, values: Values, left: float, full_a: float = 100.0, estimator: Estimator | None = None):
        super().__init__(values, estimator)
        self.full_a = full_a
        self.ah = (values.get("side.capacity_mah") or 10000) / 1000
        self.left = left
        self.amperes = self.slow_a = self.off_mv = 0.0
        self.dead: set[int] = set()  # sides that draw nothing, whatever the demand
        self._side = [values.get("sense.side", n) - 1 for n in range(SENSES_MAX)]
        self._dead_left, self._dead_slow_a = left, 0.0

    @property
    def rest_mv(self) -> float:
        return ocv_mv(self.left)

    @property
    def dead_rest_mv(self) -> float:
        return ocv_mv(self._dead_left)

    def hold(self, seconds: float, demand_pm: int = 0) -> Estimator:
        """Let time pass, all sides alike; `off_mv` is added to every cell's reading."""
        wanted = self.full_a * (demand_pm / 1000) ** 1.5
        self.demand_pm[:] = [demand_pm] * SIDES_MAX
        for _ in range(round(seconds / TICK_S)):
            self.amperes += (wanted - self.amperes) * (1 - math.exp(-TICK_S / 0.35))
            self.slow_a += (self.amperes - self.slow_a) * (1 - math.exp(-TICK_S / self.SLOW_S))
            self.left -= self.amperes * TICK_S / 3600 / self.ah
            cell_mv = self.rest_mv - self.FAST_MOHM * self.amperes - self.SLOW_MOHM * self.slow_a + self.off_mv
            if self.dead:
                self._dead_slow_a -= self._dead_slow_a * (1 - math.exp(-TICK_S / self.SLOW_S))
            else:
                self._dead_left, self._dead_slow_a = self.left, self.slow_a
            dead_mv = self.dead_rest_mv - self.SLOW_MOHM * self._dead_slow_a + self.off_mv
            for n in range(SENSES_MAX):
                if self.cells[n]:
                    self.sections_mv[n] = round(self.cells[n] * (dead_mv if self._side[n] in self.dead else cell_mv))
            self.tick()
        return self.estimator

    def ride(self, minutes: float) -> Estimator:
        """Steps of all sizes, each followed by a rest."""
        for k in range(round(minutes * 60 / 40)):
            self.hold(20, (300, 700, 1000)[k % 3])
            self.hold(20)
        return self.estimator
