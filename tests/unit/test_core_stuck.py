"""A sense input whose code no longer changes. What counts as stuck is the box's own rule."""

import pytest
from desk import POINTS, Desk, give_mv, lever_mv, rig_values

from shared_proto.states import CAUSE_SENSING_LOST, DRIVING, HELD, SENSE_OK, SENSE_STUCK

RAMP_MS = 500


class Pulling(Desk):
    """A desk whose cells sag by `sag_mv` each at full thrust; inputs in `stuck` keep their code."""

    def __init__(self, sag_mv=300, **plain):
        super().__init__(rig_values(ramp_up_ms=RAMP_MS, **plain))
        self.sag_mv = sag_mv
        self.stuck = set()

    def step(self, count=1, dt_us=20000):
        for _ in range(count):
            for n, side, cells in POINTS:
                if n in self.stuck:
                    self.inputs.reading[n] += 1
                else:
                    mv = self.cell_mv[side - 1] - self.sag_mv * self.demand_pm // 1000
                    give_mv(self.inputs, n, mv * cells)
            lever_mv(self.inputs, self.lever_pm)
            self.controller.step(dt_us)
            while (event := self.controller.events.take()) is not None:
                self.events.append(event)

    def faults(self):
        return {n: fault for n, fault in enumerate(self.controller.sense.fault) if fault != SENSE_OK}


@pytest.mark.parametrize("sag_mv", [0, 300])
def test_a_pack_that_is_quiet_may_read_the_same_for_as_long_as_it_likes(sag_mv):
    desk = Pulling(sag_mv)
    desk.arm()
    for lever_pm in (0, 600, 200, 950, 0, 950, 0):
        desk.lever_pm = lever_pm
        desk.run_s(20)
        assert desk.faults() == {}
    assert desk.events


@pytest.mark.parametrize("point", [n for n, _, _ in POINTS])
@pytest.mark.parametrize("before_pm, after_pm", [(0, 500), (900, 300), (400, 1000)])
def test_a_code_that_stays_while_others_follow_is_stuck_after_a_second(point, before_pm, after_pm):
    desk = Pulling()
    desk.arm()
    desk.lever_pm = before_pm
    desk.run_s(3)
    desk.stuck = {point}
    desk.run_s(20)
    assert desk.faults() == {}
    desk.lever_pm = after_pm
    desk.run_s(0.9)
    assert desk.faults() == {}
    desk.run_s(0.8)  # a second after a move of 300 per mille; looked at ten times a second
    assert desk.faults() == {point: SENSE_STUCK}
    desk.run_s(10)
    assert desk.faults() == {point: SENSE_STUCK}
    assert desk.state == DRIVING and desk.demand_pm <= 300  # capped
    desk.stuck = set()
    desk.lever_pm = 100
    desk.run_s(1)
    assert desk.faults() == {}


def test_a_slow_hand_shows_it_too():
    desk = Pulling()
    desk.arm()
    desk.stuck = {0}
    for lever_pm in range(0, 1000, 10):
        desk.lever_pm = lever_pm
        desk.run_s(0.1)
    assert desk.faults() == {0: SENSE_STUCK}


def test_a_whole_side_that_stands_still_is_not_believed():
    desk = Pulling()
    desk.arm()
    desk.lever_pm = 400
    desk.run_s(3)
    desk.stuck = {0, 1}
    desk.lever_pm = 900
    desk.run_s(2)
    assert desk.faults() == {0: SENSE_STUCK, 1: SENSE_STUCK}
    desk.run_s(1)
    assert desk.state == HELD and desk.controller.interlock.cause == CAUSE_SENSING_LOST


def test_a_box_none_of_whose_inputs_changes_for_a_minute_of_thrust_is_not_believed():
    desk = Pulling(sag_mv=0)
    desk.arm()
    desk.lever_pm = 600
    desk.run_s(55)
    assert desk.faults() == {} and desk.state == DRIVING
    desk.run_s(15)
    assert set(desk.faults().values()) == {SENSE_STUCK} and len(desk.faults()) == len(POINTS)
    assert desk.state == HELD and desk.controller.interlock.cause == CAUSE_SENSING_LOST


@pytest.mark.parametrize("demand_pm, falls_mv", [(350, 0), (600, 1), (1000, 1)])
def test_a_pack_that_gives_little_or_falls_by_a_count_now_and_then_is_alive(demand_pm, falls_mv):
    desk = Pulling(sag_mv=0)
    desk.arm()
    desk.lever_pm = demand_pm
    for _ in range(5):
        desk.cell_mv = [mv - falls_mv for mv in desk.cell_mv]
        desk.run_s(40)
        assert desk.faults() == {}
