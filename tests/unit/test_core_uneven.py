"""Sections that differ at rest. The limit is common practice, no source."""

import pytest
from desk import POINTS, Desk, give_mv, lever_mv, rig_values
from hypothesis import given
from hypothesis import strategies as st

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
                mv = ((self.cell_mv[side - 1] - self.demand_pm // 5) * cells + self.extra_mv[n]) * self.factor[n]
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
    desk.run_s(1.5)
    assert desk.uneven
    assert [e[3] for e in desk.events if e[1:3] == (EVENT_WARNING_ON, UNEVEN)] == [lowest + 1]
    desk.factor[0] = 1.0
    desk.run_s(1.5)
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


def test_only_sections_at_rest_are_compared():
    desk = Factors(ramp_up_ms=500)
    desk.arm()
    desk.lever_pm = 500
    desk.run_s(1)
    desk.factor[0] = 0.9
    desk.run_s(10)
    assert not desk.uneven
    desk.lever_pm = 0
    desk.run_s(25)
    assert not desk.uneven
    desk.run_s(8)
    assert desk.uneven


CALIBRATED_MV = 40  # expanded uncertainty of a sense point


class Sections(Desk):
    """A desk where each section has its own mean cell voltage, lowest of the left side first."""

    def __init__(self, uncertainty_mv=CALIBRATED_MV, points=POINTS, cells_mv=(3900,) * 4):
        values = rig_values(points=points)
        for n, _, _ in points:
            values.put("sense.uncertainty_mv", uncertainty_mv, n)
        super().__init__(values)
        self.points = points
        self.cells_mv = list(cells_mv)

    def step(self, count=1, dt_us=20000):
        for _ in range(count):
            mv = below = 0
            for (n, _, cells), cell_mv in zip(self.points, self.cells_mv, strict=True):
                mv, below = (mv, below) if cells > below else (0, 0)
                mv, below = mv + (cell_mv - self.demand_pm // 40) * (cells - below), cells  # and a little sag
                give_mv(self.inputs, n, mv)
            lever_mv(self.inputs, self.lever_pm)
            self.controller.step(dt_us)
            while (event := self.controller.events.take()) is not None:
                self.events.append(event)

    @property
    def uneven(self):
        return bool(self.controller.outputs.warnings & WARN_UNEVEN)

    @property
    def told(self):
        return [b for _, event, a, b in self.events if (event, a) == (EVENT_WARNING_ON, UNEVEN)]


@pytest.mark.parametrize("cell_mv", [3300, 3700, 4200])
@pytest.mark.parametrize(("section", "number"), [(0, 1), (1, 2), (2, 5), (3, 6)])
def test_a_cell_too_few_is_told_with_its_section(cell_mv, section, number):
    desk = Sections()
    desk.cells_mv = [cell_mv] * 4
    desk.cells_mv[section] = cell_mv * 4 // 5  # four cells where five are stated
    desk.run_s(3.5)
    assert desk.uneven and desk.told == [number]


def test_a_cell_too_many_is_told_where_it_could_pass_for_a_full_pack():
    desk = Sections(cells_mv=(3500, 3500, 3500, 3500 * 6 // 5))
    desk.run_s(3.5)
    assert desk.told == [6]


def test_a_cell_too_few_in_a_string_without_taps():
    points = ((1, 1, 10), (5, 2, 10))
    desk = Sections(points=points, cells_mv=(3800, 3800 * 9 // 10))
    desk.run_s(3.5)
    assert desk.told == [6]


def test_readings_that_may_be_wrong_by_more_accuse_nobody():
    points = ((1, 1, 10), (5, 2, 10))
    desk = Sections(uncertainty_mv=1500, points=points, cells_mv=(3800, 3800 * 9 // 10))
    desk.run_s(60)
    assert not desk.told  # nominal dividers: 0.15 V a cell on either side


@given(cell_mv=st.integers(3300, 4200), off_mv=st.lists(st.integers(-75, 75), min_size=4, max_size=4))
def test_sections_within_the_allowance_are_no_news(cell_mv, off_mv):
    desk = Sections()
    desk.cells_mv = [cell_mv + mv for mv in off_mv]
    desk.run_s(6)
    assert not desk.told


def test_it_is_judged_at_rest_only_and_stands_until_the_next_rest():
    desk = Sections(cells_mv=(3900, 3900, 3900, 3600))
    desk.run_s(3.5)
    assert desk.uneven
    desk.arm()
    desk.cells_mv = [3900] * 4
    desk.lever_pm = 600
    desk.run_s(20)
    assert desk.uneven  # under thrust nothing is known
    desk.lever_pm = 0
    desk.run_s(20)
    assert desk.uneven
    desk.run_s(15)
    assert not desk.uneven and len(desk.told) == 1


def test_a_section_that_sags_more_is_no_news():
    desk = Sections()
    desk.arm()
    desk.lever_pm = 800
    desk.cells_mv = [3800, 3800, 3800, 3450]
    desk.run_s(60)
    desk.lever_pm = 0
    desk.run_s(5)
    desk.cells_mv = [3850] * 4  # recovered
    desk.run_s(60)
    assert not desk.told


def test_while_a_point_is_not_believed_nothing_is_judged():
    desk = Sections(cells_mv=(3900, 100, 3900, 3900))
    desk.run_s(10)
    assert not desk.told
