"""Sides that do not pull. A quarter of what the others let expect, and many amperes without any sag at all: common
practice, no source."""

import random

import pytest

from core.balance import Balance
from shared_proto.messages import NOT_KNOWN_MV
from shared_proto.settings import Values

CURRENT_DA = (1, 42, 116, 210, 320, 440, 580, 720, 860, 1010, 1160)
REST_MV = 38_000


class Pull:
    def __init__(self, sides=1, current_da=CURRENT_DA, of_side=None):
        """`of_side`: settings of single sides, {name: (value of side 0, of side 1)}."""
        values = Values()
        values.put("sides", sides)
        for side in range(sides):
            values.put("side.current_da", current_da, side)
            for name, each in (of_side or {}).items():
                values.put("side." + name, each[side], side)
        self.sides = sides
        self.balance = Balance()
        self.balance.configure(values)
        self.run(2, 0)

    def run(self, seconds, demand_pm, ohm=0.0, recovered_mv=0):
        amperes = CURRENT_DA[demand_pm // 100] / 10
        mv = round(REST_MV - 1000 * amperes * ohm) + recovered_mv
        for _ in range(round(seconds * 50)):
            self.balance.update(20, [mv] * 4, self.sides, [demand_pm] * 4, demand_pm == 0)

    def sag(self, seconds, sag_mv, side_pm):
        """Each side with its own sag and its own demand, from the voltage at rest."""
        for _ in range(round(seconds * 50)):
            top_mv = [NOT_KNOWN_MV if mv == NOT_KNOWN_MV else REST_MV - mv for mv in sag_mv]
            self.balance.update(20, top_mv, self.sides, side_pm, not any(side_pm))

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
        pull.balance.update(20, [NOT_KNOWN_MV] * 4, 2, [900] * 4, False)
    assert not pull.idle


@pytest.mark.parametrize("weak", [0, 1])
@pytest.mark.parametrize("share, told", [(0.20, True), (0.30, False), (1.0, False)])
def test_a_side_that_sags_less_than_a_quarter_of_the_other_does_not_pull(weak, share, told):
    """2 s into a pull, where the strongest sags by 1.2 V."""
    pull = Pull(2, current_da=(0,) * 11)
    sag_mv = [1200, 1200]
    sag_mv[weak] = round(1200 * share)
    pull.sag(3, sag_mv, [600, 600])
    assert pull.balance.side_idle == (weak if told else -1)


@pytest.mark.parametrize("demand_pm, lever_at_rest, stands", [(0, False, True), (100, True, True), (0, True, False)])
def test_a_side_that_does_not_pull_is_forgiven_only_with_the_lever_at_rest(demand_pm, lever_at_rest, stands):
    pull = Pull()
    pull.run(3, 900)
    assert pull.idle
    pull.balance.update(20, [REST_MV] * 4, 1, [demand_pm] * 4, lever_at_rest)
    assert pull.idle == stands


# Sides that are not given the same: rigs that ease each side alone.


@pytest.mark.parametrize("current_da", [CURRENT_DA, (0,) * 11])
@pytest.mark.parametrize("eased", [0, 1])
def test_a_side_that_is_eased_is_not_taken_for_one_that_does_not_pull(current_da, eased):
    """At 200 of 1000 per mille a side draws a tenth of the current."""
    pull = Pull(2, current_da)
    sag_mv, side_pm = [2500, 2500], [1000, 1000]
    sag_mv[eased], side_pm[eased] = 250, 200
    pull.sag(5, sag_mv, side_pm)
    assert not pull.idle


@pytest.mark.parametrize("eased", [0, 1])
def test_beside_an_eased_side_one_that_does_not_pull_is_still_told_by_the_measured_currents(eased):
    pull = Pull(2)
    sag_mv, side_pm = [0, 0], [1000, 1000]
    sag_mv[eased], side_pm[eased] = 900, 500
    pull.sag(5, sag_mv, side_pm)
    assert pull.balance.side_idle == 1 - eased


@pytest.mark.parametrize("eased", [0, 1])
def test_a_string_that_rises_because_its_side_is_eased_has_not_lost_its_fan(eased):
    pull = Pull(2, (0,) * 11)
    pull.sag(4, [2500, 2500], [1000, 1000])
    sag_mv, side_pm = [2500, 2500], [1000, 1000]
    for side_pm[eased] in range(1000, 380, -20):
        sag_mv[eased] = round(2500 * (side_pm[eased] / 1000) ** 1.5)
        pull.sag(0.1, sag_mv, side_pm)
    pull.sag(3, sag_mv, side_pm)
    assert not pull.idle
    sag_mv[1 - eased] = 100  # that one has
    pull.sag(1, sag_mv, side_pm)
    assert pull.balance.side_idle == 1 - eased


def test_the_many_amperes_without_sag_are_those_of_a_side_that_is_given_much():
    pull = Pull(2)
    pull.sag(5, [NOT_KNOWN_MV, 0], [900, 200])
    assert not pull.idle
    pull = Pull(2)
    pull.sag(5, [0, 0], [900, 200])
    assert pull.balance.side_idle == 0


# Sides that are not alike.

SMALL_DA = tuple([da // 4 for da in CURRENT_DA])


@pytest.mark.parametrize("current_da, sag_mv, idle", [
    ((CURRENT_DA, SMALL_DA), (2000, 450), -1),  # a quarter of the current, so a quarter of the sag, and a bit less
    ((CURRENT_DA, SMALL_DA), (2000, 100), 1),
    ((SMALL_DA, CURRENT_DA), (400, 0), 1),  # the large fan is the one that does not pull
    ((SMALL_DA, CURRENT_DA), (0, 900), -1),  # a small fan that should sag by 225 mV is not judged
    ((CURRENT_DA, (0,) * 11), (2000, 450), 1),  # not measured: taken for alike
])  # fmt: skip
def test_sag_is_weighed_by_the_measured_currents(current_da, sag_mv, idle):
    pull = Pull(2, of_side={"current_da": current_da})
    pull.sag(5, sag_mv, [1000, 1000])
    assert pull.balance.side_idle == idle


@pytest.mark.parametrize("of_side, sag_mv, idle", [
    ({"cells": (12, 3)}, (2000, 450), -1),
    ({"cells": (12, 3)}, (2000, 100), 1),
    ({"cells": (12, 0)}, (2000, 450), 1),  # not stated for all: taken for alike
    ({"cells": (12, 12), "capacity_mah": (2500, 10000)}, (2000, 450), -1),
    ({"cells": (12, 12), "capacity_mah": (2500, 10000)}, (2000, 100), 1),
])  # fmt: skip
def test_sag_is_weighed_by_cells_and_capacity(of_side, sag_mv, idle):
    pull = Pull(2, of_side=of_side)
    pull.sag(5, sag_mv, [1000, 1000])
    assert pull.balance.side_idle == idle


# Noise at the tops.

NOISE_MV = 150  # one deviation, white: what hazards.md calls ridden on


def amperes(demand_pm):
    low = CURRENT_DA[demand_pm // 100]
    high = CURRENT_DA[min(demand_pm // 100 + 1, 10)]
    return (low + (high - low) * (demand_pm % 100) / 100) / 10


class Ride:
    """Pulls and rests at random of two sides whose tops carry noise, a reading a round."""

    def __init__(self, seed, full_sag_mv, measured, noise_mv=NOISE_MV):
        self.dice = random.Random(seed)
        self.pull = Pull(2, CURRENT_DA if measured else (0,) * 11)
        self.full_sag_mv, self.noise_mv = full_sag_mv, noise_mv
        self.sag_mv = [0.0, 0.0]
        self.demand_pm, self.dead = 0, None

    def round(self, lever_pm):
        self.demand_pm += max(-333, min(50, lever_pm - self.demand_pm))
        tops_mv = [0] * 4
        for side in range(2):
            share = 0.0 if side == self.dead else amperes(self.demand_pm) / amperes(1000)
            self.sag_mv[side] += (self.full_sag_mv * share - self.sag_mv[side]) / 3
            tops_mv[side] = round(REST_MV - self.sag_mv[side] + self.dice.gauss(0, self.noise_mv))
        self.pull.balance.update(100, tops_mv, 2, [self.demand_pm] * 4, lever_pm == 0)

    def ride(self, seconds):
        """How often a side was told."""
        told = left = lever_pm = 0
        for _ in range(10 * seconds):
            if left == 0:
                left = self.dice.randint(10, 300)
                lever_pm = 0 if self.dice.random() < 0.35 else self.dice.choice((200, 300, 500, 700, 1000))
            left -= 1
            self.round(lever_pm)
            if self.pull.idle:
                told += 1
                self.pull.balance.side_idle = -1
        return told


@pytest.mark.parametrize("measured", [False, True])
@pytest.mark.parametrize("full_sag_mv", [600, 1000, 3000])
def test_noise_on_the_tops_ends_no_ride(full_sag_mv, measured):
    """An hour each; 320 hours of such rides had none."""
    assert Ride(7, full_sag_mv, measured).ride(3600) == 0


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("full_sag_mv, noise_mv", [(3000, NOISE_MV), (1500, NOISE_MV), (1500, 0)])
def test_a_dead_fan_is_told_through_the_noise(seed, full_sag_mv, noise_mv):
    """At full thrust within 1.3 s of its string's rise, and in the pull that follows within 2.6 s of 20 % demand."""
    ride = Ride(seed, full_sag_mv, measured=False, noise_mv=noise_mv)
    for lever_pm, rounds in ((0, 40), (1000, 60)):
        for _ in range(rounds):
            ride.round(lever_pm)
    assert not ride.pull.idle
    ride.dead = seed % 2
    for _ in range(13):
        ride.round(1000)
    assert ride.pull.balance.side_idle == ride.dead
    for lever_pm, rounds in ((0, 40), (1000, 4 + 26)):
        assert lever_pm or ride.pull.idle
        for _ in range(rounds):
            ride.round(lever_pm)
    assert ride.pull.balance.side_idle == ride.dead
