"""The estimators' task: what it feeds them with, from steps every 20 ms."""

import asyncio
from types import SimpleNamespace

import pytest

import services.estimator as task
from shared_proto.messages import NOT_KNOWN_MV, SENSES_MAX, SIDES_MAX
from shared_proto.states import BENCH, DRIVING
from tests.unit.estimator_rides import UNKNOWN, rig

STEP_MS = 20


class Over(Exception):
    pass


class Desk:
    """A controller whose steps happen while the task sleeps; keeps what the estimators were given."""

    def __init__(self, monkeypatch):
        self.strings = SimpleNamespace(section_mv=[NOT_KNOWN_MV] * SENSES_MAX, section_cells=[0] * SENSES_MAX)
        self.limits = SimpleNamespace(side_pm=[0] * SIDES_MAX)
        self.sense = SimpleNamespace(current_da=[UNKNOWN] * SIDES_MAX)
        self.interlock = SimpleNamespace(state=DRIVING)
        self.controller = SimpleNamespace(
            strings=self.strings, limits=self.limits, sense=self.sense, interlock=self.interlock,
            balance=SimpleNamespace(side_idle=-1), now_ms=0, rest_cell_mv=0,
        )  # fmt: skip
        self.given = []
        self.beats = []
        self.kept = []
        self.steps = 0
        estimate = SimpleNamespace(
            configure=lambda values: None, update=self._update, weakest_rest_cell_mv=3700, words=lambda: (1, 2)
        )
        self.task = task.EstimatorTask(
            self.controller, estimate, SimpleNamespace(beat=lambda which, now_ms: self.beats.append(now_ms)),
            lambda *words: self.kept.append(words),
        )
        self.task.configure(rig())
        monkeypatch.setattr(task.asyncio, "sleep_ms", self._sleep, raising=False)

    def _update(self, dt_s, *lists):
        self.given.append((dt_s, *(list(numbers) for numbers in lists)))

    async def _sleep(self, ms):
        for _ in range(ms // STEP_MS):
            if self.steps == 0:
                raise Over
            self.steps -= 1
            self.controller.now_ms = (self.controller.now_ms + STEP_MS) & 0x3FFFFFFF
            self.step(self.controller.now_ms)

    def run(self, seconds, step):
        self.steps = round(1000 * seconds / STEP_MS)
        self.step = step
        with pytest.raises(Over):
            asyncio.run(self.task.run())
        return self.given


@pytest.fixture
def desk(monkeypatch):
    return Desk(monkeypatch)


def test_five_times_a_second_they_get_the_mean_of_what_the_steps_saw(desk):
    """A reading that swings by 200 mV between steps, a demand that rises, a current that flickers."""

    def step(now_ms):
        swing = 100 if now_ms // STEP_MS % 4 < 2 else -100
        desk.strings.section_mv[:2] = [19000 + swing, 20000]
        desk.strings.section_cells[:2] = [5, 5]
        desk.limits.side_pm[:2] = [now_ms // 20, 500]
        desk.sense.current_da[0] = 400 + swing

    given = desk.run(4, step)
    assert len(given) == pytest.approx(20, abs=1)
    assert desk.kept == [(1, 2)] * len(given)
    assert sum(dt_s for dt_s, *_ in given) == pytest.approx(4, abs=0.3)
    for k, (dt_s, section_mv, cells, demand_pm, current_da) in enumerate(given):
        assert dt_s == pytest.approx(0.2, abs=0.05)
        assert abs(section_mv[0] - 19000) <= 25 and section_mv[1] == 20000 and cells[:2] == [5, 5]
        assert section_mv[2:] == [NOT_KNOWN_MV] * 6
        assert abs(current_da[0] - 400) <= 25 and current_da[1:] == [UNKNOWN] * 3
        assert demand_pm[0] == pytest.approx(10 * (k + 0.5), abs=3) and demand_pm[1] == 500


def test_a_section_that_is_lost_or_becomes_another_is_not_averaged_with_what_it_was(desk):
    def step(now_ms):
        lost = 500 <= now_ms < 1900
        desk.strings.section_mv[:2] = [NOT_KNOWN_MV, 39000] if lost else [19000, 20000]
        desk.strings.section_cells[:2] = [0, 10] if lost else [5, 5]
        desk.sense.current_da[0] = UNKNOWN if lost else 400

    given = desk.run(4, step)
    seen = {(mv[0], mv[1], cells[0], cells[1], da[0]) for _, mv, cells, _, da in given}
    assert seen == {(19000, 20000, 5, 5, 400), (NOT_KNOWN_MV, 39000, 0, 10, UNKNOWN)}


def test_nothing_of_a_bench_run_is_fed_nor_averaged_in_afterwards(desk):
    def step(now_ms):
        bench = 1000 <= now_ms < 3110
        desk.interlock.state = BENCH if bench else DRIVING
        desk.strings.section_mv[0], desk.strings.section_cells[0] = 15000 if bench else 19000, 5
        desk.limits.side_pm[0] = 700 if bench else 100

    given = desk.run(5, step)
    assert len(given) < 17
    assert all(mv[0] == 19000 and pm[0] == 100 for _, mv, _, pm, _ in given)
    assert max(dt_s for dt_s, *_ in given) < 0.3
    gaps = [b - a for a, b in zip(desk.beats, desk.beats[1:], strict=False)]
    assert max(gaps) <= 250


def test_sums_stay_small_integers_and_the_clock_may_wrap(desk):
    desk.controller.now_ms = 0x3FFFFFFF - 1000

    def step(now_ms):
        desk.strings.section_mv[:4] = [65534] * 4
        desk.strings.section_cells[:4] = [5] * 4

    given = desk.run(3, step)
    assert len(given) == pytest.approx(15, abs=1)
    assert all(mv[:4] == [65534] * 4 and 0.15 < dt_s < 0.25 for dt_s, mv, *_ in given)
