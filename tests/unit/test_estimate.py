"""The estimators as a whole: bounds whatever comes in, resets, lost wires, and the same on both interpreters."""

import ast
import math
import struct
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from services.estimate import Estimator
from shared_proto.messages import NOT_KNOWN_MV, SENSES_MAX, SIDES_MAX
from tests.unit.estimator_rides import TICK_S, UNKNOWN, Bench, Feed, rig

SECTION = 5


KNOWN = rig(capacity_mah=10000, full_a=100.0)


def test_nothing_is_known_before_anything_was_seen():
    e = Estimator()
    e.configure(rig())
    assert e.current_da == [UNKNOWN] * SIDES_MAX
    assert e.rest_cell_mv == e.sag_cell_mv == e.full_sag_cell_mv == [NOT_KNOWN_MV] * SENSES_MAX
    assert e.resistance_mohm_x10 == [UNKNOWN] * SENSES_MAX
    assert e.charge_pm == [UNKNOWN] * SIDES_MAX
    assert (e.weakest_rest_cell_mv, e.minutes_left) == (NOT_KNOWN_MV, UNKNOWN)


def test_power_up_at_rest_tells_voltage_and_charge_within_two_seconds():
    e = Bench(rig(), 0.5).hold(2)
    assert e.rest_cell_mv[:4] == [3845] * 4
    assert e.rest_cell_mv[4:] == [NOT_KNOWN_MV] * 4
    assert e.charge_pm == [500, 500, UNKNOWN, UNKNOWN]


def test_current_follows_the_measured_curve_with_the_spool_up_behind_it():
    bench = Bench(rig(capacity_mah=10000, full_a=120.0), 0.6)
    bench.hold(5)
    after_a_tick = bench.hold(TICK_S, 500).current_da[0]
    settled = bench.hold(3, 500).current_da
    expected = 1200 * 0.5**1.5
    assert settled[:2] == [pytest.approx(expected, abs=1)] * 2
    assert settled[2:] == [UNKNOWN] * 2
    assert after_a_tick == pytest.approx(expected * (1 - math.exp(-0.2 / 0.35)), rel=0.03)
    between = bench.hold(3, 550).current_da[0]
    assert between == pytest.approx(1200 * (0.5**1.5 + 0.6**1.5) / 2, abs=1)


def test_a_sensor_wins_over_the_curve_and_the_curve_stands_in_when_it_is_lost():
    bench = Bench(KNOWN, 0.6)
    bench.sensor_da[0] = 777
    assert bench.hold(2, 800).current_da[0] == 777
    bench.hold(60, 800)  # it has been seen what this demand draws
    bench.sensor_da[0] = UNKNOWN
    assert bench.hold(2, 800).current_da[0] == pytest.approx(777, rel=0.02)
    bench.sensor_da[0] = 60000  # no such current: a broken sensor
    assert bench.hold(2, 800).current_da[0] == pytest.approx(777, rel=0.02)


def test_resistance_is_told_only_when_a_current_is_known():
    known, without = Bench(KNOWN, 0.9), Bench(rig(), 0.9)
    assert known.hold(30).resistance_mohm_x10[0] == UNKNOWN
    assert known.ride(6).resistance_mohm_x10[:4] == [pytest.approx(10 * Bench.FAST_MOHM, rel=0.15)] * 4
    assert without.ride(6).resistance_mohm_x10 == [UNKNOWN] * SENSES_MAX


@pytest.mark.parametrize("values", [KNOWN, rig()], ids=["curve", "nothing"])
def test_sag_at_full_is_foretold(values):
    bench = Bench(values, 0.95)
    bench.ride(6)
    foretold = bench.hold(20).full_sag_cell_mv[0]
    bench.hold(10.4, 1000)
    assert foretold == pytest.approx(bench.rest_mv - bench.sections_mv[0] / SECTION, rel=0.1)


def test_spikes_teach_little():
    bench, spoilt = Bench(KNOWN, 0.95), Bench(KNOWN, 0.95)
    bench.ride(6)
    spoilt.ride(6)
    for k in range(300):
        bench.hold(TICK_S, 500)
        spoilt.off_mv = -400 if k % 25 == 0 else 0
        spoilt.hold(TICK_S, 500)
    assert abs(spoilt.estimator.resistance_mohm_x10[0] - bench.estimator.resistance_mohm_x10[0]) <= 2
    assert abs(spoilt.hold(10, 500).rest_cell_mv[0] - spoilt.rest_mv) < 25


def test_a_steady_pull_teaches_nothing_about_sag():
    bench = Bench(KNOWN, 0.95)
    bench.ride(4)
    bench.hold(300, 300)
    before = bench.estimator.resistance_mohm_x10[0]
    full = bench.estimator.full_sag_cell_mv[0]
    for k in range(300):
        bench.off_mv = -k / 2
        bench.hold(1, 300)
    assert bench.estimator.resistance_mohm_x10[0] == before
    assert abs(bench.estimator.full_sag_cell_mv[0] - full) <= 3


def test_minutes_are_charge_over_mean_use():
    bench = Bench(KNOWN, 0.8)
    bench.hold(2)
    e = bench.hold(240, 400)
    assert e.charge_pm[0] == pytest.approx(1000 * bench.left, abs=10)
    # Since power-up: 2 s of rest among 242 s.
    assert e.minutes_left == pytest.approx((bench.left - 0.1) * 10 / (100 * 0.4**1.5) * 60, abs=1)


def test_minutes_are_not_told_at_rest():
    assert Bench(KNOWN, 0.6).hold(120).minutes_left == UNKNOWN


def test_a_lost_tap_makes_one_section_of_two_and_comes_back():
    bench = Bench(rig(sides=1, capacity_mah=10000, full_a=100.0), 0.9)
    bench.ride(4)
    bench.cells[:2] = [0, 10]
    bench.sections_mv[0] = NOT_KNOWN_MV
    e = bench.hold(5, 500)
    assert (e.rest_cell_mv[0], e.resistance_mohm_x10[0]) == (NOT_KNOWN_MV, UNKNOWN)
    assert e.rest_cell_mv[1] == pytest.approx(bench.rest_mv, abs=25)
    bench.cells[:2] = [5, 5]
    e = bench.hold(5, 500)
    assert e.rest_cell_mv[:2] == [pytest.approx(bench.rest_mv, abs=25)] * 2
    assert e.charge_pm[0] == pytest.approx(1000 * bench.left, abs=15)


def test_a_weak_section_sets_what_the_string_has_left():
    feed = Feed(rig(sides=1, capacity_mah=10000, full_a=100.0))
    for _ in range(600):
        feed.sections_mv[:2] = [SECTION * 3804, SECTION * 3945]  # 40 and 70 %
        e = feed.tick()
    assert (e.weakest_rest_cell_mv, e.rest_cell_mv[1]) == (3804, 3945)
    assert e.charge_pm[0] == pytest.approx(400, abs=40)


def test_settings_that_are_the_same_keep_what_was_learned():
    bench = Bench(KNOWN, 0.9)
    e = bench.ride(6)
    known = e.resistance_mohm_x10[0]
    e.configure(KNOWN)
    assert bench.hold(3).resistance_mohm_x10[0] == known
    e.configure(rig(sections=(4, 6), capacity_mah=10000, full_a=100.0))
    assert e.resistance_mohm_x10[0] == UNKNOWN
    bench.cells[:4] = [4, 6, 4, 6]
    assert bench.hold(3).resistance_mohm_x10[0] == UNKNOWN


def test_a_side_that_is_no_more_leaves_nothing_behind():
    bench = Bench(KNOWN, 0.9)
    bench.sensor_da[:2] = [300, 300]
    e = bench.ride(6)
    assert UNKNOWN not in (*e.charge_pm[:2], *e.current_da[:2])
    e.configure(rig(sides=1, capacity_mah=10000, full_a=100.0))
    bench.sensor_da[:2] = [300, UNKNOWN]
    bench.hold(3)
    assert UNKNOWN not in (e.charge_pm[0], e.current_da[0])
    assert e.charge_pm[1:] == e.current_da[1:] == [UNKNOWN] * (SIDES_MAX - 1)


def test_a_snapshot_brings_back_resistance_and_charge():
    bench = Bench(KNOWN, 0.9)
    bench.hold(2)
    bench.sensor_da[:2] = [300, 300]  # counted at rest, so that charge is not what the voltage says
    bench.hold(60)
    bench.sensor_da[:2] = [UNKNOWN, UNKNOWN]
    before = bench.ride(4)
    data = before.snapshot()
    assert len(data) == 101
    after = Bench(KNOWN, bench.left)
    after.amperes, after.slow_a = bench.amperes, bench.slow_a
    assert after.estimator.restore(data, rested=False)
    e = after.hold(3)
    assert abs(before.charge_pm[0] - 1000 * bench.left) > 10
    assert e.charge_pm[0] == pytest.approx(before.charge_pm[0], abs=1)
    assert e.resistance_mohm_x10[0] == pytest.approx(before.resistance_mohm_x10[0], abs=1)
    assert e.full_sag_cell_mv[0] == pytest.approx(before.full_sag_cell_mv[0], abs=6)


def test_another_pack_after_a_snapshot_is_taken_by_its_voltage():
    low = Bench(KNOWN, 0.2).hold(5)
    assert low.charge_pm[0] == pytest.approx(200, abs=2)
    after = Bench(KNOWN, 1.0)
    assert after.estimator.restore(low.snapshot())
    assert after.hold(3).charge_pm[0] > 990


def stale_points(ridden, to, rest_s, swap):
    """Points by which charge is wrong at power-up: the pack ridden from 80 % to `to`, or another with `swap` more. Its
    curve is 12 mV above the one the box knows, as any pack's may be, so that counting is the better."""
    bench = Bench(KNOWN, 0.8)
    bench.hold(30)
    bench.off_mv = 12
    while bench.left > to:
        bench.hold(20, ridden)
    bench.hold(rest_s)
    after = Bench(KNOWN, bench.left + swap)
    after.off_mv = 12
    assert after.estimator.restore(bench.estimator.snapshot())
    return after.hold(3).charge_pm[0] / 10 - 100 * after.left


@pytest.mark.parametrize("ridden", [400, 800])
@pytest.mark.parametrize("to", [0.6, 0.5, 0.4, 0.3])
@pytest.mark.parametrize(("rest_s", "points"), [(3, 4), (180, 3.5), (600, 3.5)])
def test_on_the_flat_part_the_same_pack_goes_on_and_another_one_does_not(ridden, to, rest_s, points):
    """The log is written seconds after the ride, when the voltage at rest is not sure yet, or later; the next start is
    a day after. By its voltage alone a pack with such a curve is 3 points off."""
    assert abs(stale_points(ridden, to, rest_s, 0.0)) <= 5
    for swap in (-0.3, -0.15, -0.12, -0.09, 0.09, 0.12, 0.15, 0.3):
        if to + swap > 0.1:
            assert abs(stale_points(ridden, to, rest_s, swap)) <= points
    for swap in (-0.06, -0.03, 0.03, 0.06):  # 25 mV and less: nothing tells it from the same pack
        assert abs(stale_points(ridden, to, rest_s, swap)) <= 5.1


def test_after_a_watchdog_reset_it_is_the_same_pack_whatever_its_polarised_voltage_says():
    bench = Bench(KNOWN, 0.8)
    bench.ride(4)
    bench.hold(30, 900)
    before = bench.estimator.charge_pm[0]
    after = Bench(KNOWN, bench.left)
    after.amperes, after.slow_a = 0.0, bench.slow_a
    after.off_mv = -25
    assert after.estimator.restore(bench.estimator.snapshot(), rested=False)
    assert after.hold(3).charge_pm[0] == pytest.approx(before, abs=2)


def test_after_a_watchdog_reset_it_goes_on_from_a_moment_ago_though_the_log_is_old():
    bench = Bench(KNOWN, 0.9)
    bench.ride(3)
    data = bench.estimator.snapshot()
    bench.hold(120, 800)
    words = bench.estimator.words()
    assert all(0 <= word < 1 << 28 for word in words)
    before = bench.estimator.charge_pm[:]
    after = Bench(KNOWN, bench.left)
    after.slow_a = bench.slow_a
    assert after.estimator.restore(data, rested=False)
    after.estimator.go_on(*words)
    e = after.hold(3)
    assert e.charge_pm[:2] == pytest.approx(before[:2], abs=6)
    assert e.rest_cell_mv[0] == pytest.approx(after.rest_mv, abs=20)
    assert after.hold(120).charge_pm[0] == pytest.approx(1000 * after.left, abs=30)


def test_a_weak_section_is_known_at_once_at_power_up():
    feed = Feed(rig(sides=1, capacity_mah=10000, full_a=100.0))
    for _ in range(10):
        feed.sections_mv[:2] = [SECTION * 3804, SECTION * 3945]  # 40 and 70 %
        e = feed.tick()
    assert e.charge_pm[0] == pytest.approx(400, abs=40)


def test_a_pack_changed_without_a_reset_is_taken_by_its_voltage():
    bench = Bench(KNOWN, 0.2)
    bench.hold(60)
    bench.left = 1.0
    assert bench.hold(60).charge_pm[0] > 970


@pytest.mark.parametrize("data", [b"", b"\xe1", b"\0" * 101, b"\xe2" + b"\xff" * 100, b"\xe2" + b"\0" * 100])
def test_a_snapshot_of_nothing_does_no_harm(data):
    bench = Bench(KNOWN, 0.5)
    bench.estimator.restore(data)
    assert bench.hold(10).charge_pm[0] == pytest.approx(500, abs=2)
    assert 0 < bench.ride(4).full_sag_cell_mv[0] < 1000


def test_sections_of_other_kinds_are_left_alone():
    values = rig(sides=1)
    values.put("sense.side", 1, 5)
    values.put("sense.kind", 1, 5)
    bench = Bench(values, 0.5)
    bench.cells[5] = 5
    assert bench.hold(3).rest_cell_mv == [3845] * 2 + [NOT_KNOWN_MV] * 6


# Whatever comes in

VOLTS = st.one_of(st.just(NOT_KNOWN_MV), st.integers(0, 65535), st.integers(15000, 21000))
TICKS = st.lists(
    st.tuples(
        st.sampled_from([0.2, 0.2, 0.2, 0.0, 0.05, 1.0, 7.0]),
        st.lists(VOLTS, min_size=4, max_size=4),
        st.sampled_from([5, 5, 5, 10, 0, 1]),
        st.integers(0, 1000),
        st.one_of(st.just(UNKNOWN), st.integers(0, 65535), st.integers(0, 2000)),
    ),
    min_size=1,
    max_size=30,
)


def floats(thing, seen=None):
    """All numbers in an object and what it is made of."""
    for value in vars(thing).values() if hasattr(thing, "__dict__") else thing:
        if isinstance(value, (int, float)):
            yield value
        elif isinstance(value, (list, tuple)) or hasattr(value, "__dict__"):
            yield from floats(value)


def size(thing) -> int:
    return sum(1 for _ in floats(thing))


@settings(max_examples=150, deadline=None)
@given(st.sampled_from([(0, 0.0), (10000, 100.0), (100, 500.0), (200000, 1.0)]), TICKS, st.integers(1, 40))
def test_whatever_comes_in_stays_finite_and_in_range(stated, ticks, repeats):
    feed = Feed(rig(capacity_mah=stated[0], full_a=stated[1]))
    e = feed.estimator
    before = size(e)
    for dt_s, volts, cells, demand, sensor in ticks:
        for _ in range(repeats):
            feed.sections_mv[:4] = volts
            feed.cells[:4] = [cells] * 4
            feed.demand_pm[:] = [demand] * 4
            feed.sensor_da[0] = sensor
            feed.tick(dt_s)
        for result in (e.current_da, e.rest_cell_mv, e.sag_cell_mv, e.resistance_mohm_x10, e.full_sag_cell_mv,
                       e.charge_pm, [e.weakest_rest_cell_mv, e.minutes_left]):  # fmt: skip
            assert all(type(v) is int and 0 <= v <= 0xFFFF for v in result)
        assert all(v == UNKNOWN or v <= 1000 for v in e.charge_pm)
        for r, mohm in enumerate(e.resistance_mohm_x10):
            assert mohm == UNKNOWN or 3 <= mohm <= 300 * 1.75, r
    assert all(math.isfinite(v) and abs(v) < 1e8 for v in floats(e))
    assert size(e) == before
    assert len(e.snapshot()) == 101
    other = Estimator()
    other.configure(rig(capacity_mah=stated[0], full_a=stated[1]))
    assert other.restore(e.snapshot())


# Single precision, as on the RP2040: every result of an operation rounded

FIRMWARE = Path(__file__).parents[2] / "firmware" / "services"


def single(value):
    return struct.unpack("f", struct.pack("f", value))[0] if isinstance(value, float) else value


class Rounded(ast.NodeTransformer):
    def visit_BinOp(self, node):
        self.generic_visit(node)
        return ast.Call(ast.Name("_single", ast.Load()), [node], [])

    def visit_AugAssign(self, node):
        self.generic_visit(node)
        target = ast.parse(ast.unparse(node.target), mode="eval").body
        return ast.Assign([node.target], ast.Call(
            ast.Name("_single", ast.Load()), [ast.BinOp(target, node.op, node.value)], []))  # fmt: skip


def in_single_precision():
    spaces = {}
    for name in ("estimate_charge", "estimate_sag", "estimate_idle", "estimate_keep", "estimate"):
        tree = Rounded().visit(ast.parse((FIRMWARE / f"{name}.py").read_text()))
        body = [n for n in tree.body if not (isinstance(n, ast.ImportFrom) and n.module.startswith("services"))]
        tree.body = body
        space = {"_single": single, "__name__": name, "estimate_keep": None}
        for other in spaces.values():
            space.update({k: v for k, v in other.items() if k in ("Charge", "Sag", "SlowCurrent", "Idle")})
        exec(compile(ast.fix_missing_locations(tree), name, "exec"), space)
        spaces[name] = space
    return spaces["estimate"]["Estimator"]()


def test_single_precision_is_enough():
    """An hour of steps: what the board's floats of 24 bits make of it is what CPython's make of it."""
    values = rig(sides=1, capacity_mah=40000, full_a=60.0)
    exact = Bench(values, 1.0, 60.0)
    coarse = Bench(values, 1.0, 60.0, in_single_precision())
    for k in range(75):
        for bench in (exact, coarse):
            bench.hold(20, (600, 1000, 350)[k % 3])
            bench.hold(28, 450 * (k % 2))
        a, b = exact.estimator, coarse.estimator
        assert abs(a.charge_pm[0] - b.charge_pm[0]) <= 1
        assert abs(a.rest_cell_mv[0] - b.rest_cell_mv[0]) <= 2
        assert abs(a.full_sag_cell_mv[0] - b.full_sag_cell_mv[0]) <= 3
    assert exact.estimator.charge_pm[0] < 700
