"""Sections that differ at rest. The limit is common practice, no source."""

import pytest
from desk import POINTS, Desk, give_mv, lever_mv, rig_values

from shared_proto.states import EVENT_WARNING_ON, WARN_UNEVEN, WARNINGS

UNEVEN = [row[0] for row in WARNINGS].index("UNEVEN")


class Factors(Desk):
    """A desk whose sense points read `factor[n]` times what they should, and are wrong by `uncertainty_mv` at most."""

    def __init__(self, uncertainty_mv=200, **plain):
        values = rig_values(**plain)
        for n, _, _ in POINTS:
            values.put("sense.uncertainty_mv", uncertainty_mv, n)
        super().__init__(values)
        self.factor = dict.fromkeys(range(8), 1.0)
        self.extra_mv = dict.fromkeys(range(8), 0)

    def step(self, count=1, dt_us=20000):
        for _ in range(count):
            for n, side, cells in POINTS:
                mv = (self.cell_mv[side - 1] * cells + self.extra_mv[n]) * self.factor[n]
                give_mv(self.inputs, n, mv)
            lever_mv(self.inputs, self.lever_pm)
            self.controller.step(dt_us)
            while (event := self.controller.events.take()) is not None:
                self.events.append(event)

    @property
    def uneven(self):
        return bool(self.controller.warnings.bits & WARN_UNEVEN)


@pytest.mark.parametrize("factor, lowest", [(0.9, 0), (1.06, 1)])
def test_a_tap_divider_of_the_wrong_value_is_told_with_its_section(factor, lowest):
    desk = Factors()
    desk.run_s(5)
    assert not desk.uneven
    desk.factor[0] = factor  # 0.9: the lower section seems low, the upper one full; 1.06: the other way
    desk.run_s(1)
    assert desk.uneven
    assert [e[3] for e in desk.events if e[1:3] == (EVENT_WARNING_ON, UNEVEN)] == [lowest + 1]
    desk.factor[0] = 1.0
    desk.run_s(1)
    assert not desk.uneven


def test_a_pack_with_a_cell_too_few_is_told():
    desk = Factors()
    for n in (4, 5):
        desk.extra_mv[n] = -3900
    desk.run_s(5)
    assert desk.uneven


@pytest.mark.parametrize("apart_mv", [0, 60, 100])
def test_packs_that_are_a_little_apart_are_not(apart_mv):
    desk = Factors()
    desk.extra_mv[1] = 5 * apart_mv
    desk.run_s(10)
    assert not desk.uneven


def test_what_the_sense_points_may_be_wrong_by_is_allowed_for():
    desk = Factors(uncertainty_mv=1500)
    desk.factor[0] = 0.95
    desk.run_s(10)
    assert not desk.uneven


def test_only_sections_at_rest_are_compared_and_a_lost_point_compares_nothing():
    desk = Factors(ramp_up_ms=500)
    desk.arm()
    desk.lever_pm = 500
    desk.run_s(1)
    desk.factor[0] = 0.9
    desk.run_s(10)
    assert not desk.uneven
    desk.lever_pm = 0
    desk.run_s(2)
    assert not desk.uneven
    desk.run_s(3)
    assert desk.uneven
    desk.factor[0] = 0.0
    desk.run_s(1)
    assert not desk.uneven
