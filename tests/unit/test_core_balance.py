"""A pull of many amperes without any sag: ESCs without supply, all of them or the only one."""

import pytest

from core.balance import Balance
from shared_proto.messages import NOT_KNOWN_MV
from shared_proto.settings import Values

CURRENT_DA = (1, 42, 116, 210, 320, 440, 580, 720, 860, 1010, 1160)
REST_MV = 38_000


class Pull:
    def __init__(self, sides=1, current_da=CURRENT_DA):
        values = Values()
        values.put("sides", sides)
        for side in range(sides):
            values.put("side.current_da", current_da, side)
        self.sides = sides
        self.balance = Balance()
        self.balance.configure(values)
        self.run(2, 0)

    def run(self, seconds, demand_pm, ohm=0.0, recovered_mv=0):
        amperes = CURRENT_DA[demand_pm // 100] / 10
        mv = round(REST_MV - 1000 * amperes * ohm) + recovered_mv
        for _ in range(round(seconds * 50)):
            self.balance.update(20, [mv] * 4, self.sides, demand_pm, demand_pm == 0)

    @property
    def idle(self):
        return self.balance.side_idle >= 0


@pytest.mark.parametrize("sides", [1, 2, 4])
def test_a_pull_without_any_sag_is_told_within_two_seconds_and_a_bit(sides):
    pull = Pull(sides)
    pull.run(1.7, 900)
    assert not pull.idle
    pull.run(0.7, 900)
    assert pull.idle
    pull.run(0.1, 0)
    assert not pull.idle  # the lever at rest is the way out


@pytest.mark.parametrize("ohm", [0.005, 0.02, 0.15])
@pytest.mark.parametrize("demand_pm", [200, 500, 1000])
def test_any_string_that_gives_current_sags(ohm, demand_pm):
    pull = Pull()
    pull.run(30, demand_pm, ohm)
    assert not pull.idle


def test_without_a_measured_current_nothing_is_told():
    pull = Pull(current_da=(0,) * 11)
    pull.run(30, 1000)
    assert not pull.idle


def test_a_small_pull_proves_nothing():
    pull = Pull()
    pull.run(30, 400)  # 32 A
    assert not pull.idle


def test_a_pack_that_recovers_from_the_pull_before_is_no_dead_one():
    """A reference taken a second after a long hard pull is low: late in the next pull the sag is hidden by it."""
    pull = Pull()
    pull.run(10, 300, 0.005)
    pull.run(30, 700, 0.005, recovered_mv=500)
    assert not pull.idle


def test_a_string_that_is_not_sensed_is_not_judged():
    pull = Pull(2)
    for _ in range(500):
        pull.balance.update(20, [NOT_KNOWN_MV] * 4, 2, 900, False)
    assert not pull.idle


@pytest.mark.parametrize("weak", [0, 1])
@pytest.mark.parametrize("share, told", [(0.20, True), (0.30, False), (1.0, False)])
def test_a_side_that_sags_less_than_a_quarter_of_the_other_does_not_pull(weak, share, told):
    """2 s into a pull, where the strongest sags by 1.2 V."""
    pull = Pull(2, current_da=(0,) * 11)
    mv = [REST_MV - 1200] * 4
    mv[weak] = round(REST_MV - 1200 * share)
    for _ in range(150):
        pull.balance.update(20, mv, 2, 600, False)
    assert pull.balance.side_idle == (weak if told else -1)


@pytest.mark.parametrize("demand_pm, lever_at_rest, stands", [(0, False, True), (100, True, True), (0, True, False)])
def test_a_side_that_does_not_pull_is_forgiven_only_with_the_lever_at_rest(demand_pm, lever_at_rest, stands):
    pull = Pull()
    pull.run(3, 900)
    assert pull.idle
    pull.balance.update(20, [REST_MV] * 4, 1, demand_pm, lever_at_rest)
    assert pull.idle == stands
