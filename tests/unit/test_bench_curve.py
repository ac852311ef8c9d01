"""From readings to the box's table: fans that the fit has not seen, against the simulated fans themselves."""

from dataclasses import replace

import numpy as np
import pytest
from bench_desk import ClampSpec, DeskBench, ScaleSpec, SimPerson, full_plan, rig, steady_thrust, tied_plant
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.figure import Figure

from barbox.bench import curve as curves
from barbox.bench import learn, pictures, plan, record, summary
from barbox.bench.air import Air
from barbox.bench.fit import PowerLaw
from barbox.bench.learn import Point, fitted
from barbox.bench.readings import Instruments, Reading
from core.curve import Curve

RIG = rig()
GOAL = 0.03  # of full thrust
FANS = {
    "other exponents, dead bands, 12 % between the sides": ((1080, 0.85, 1.0), (1060, 1.2, 0.88)),
    "wide dead bands": ((1140, 1.0, 0.88), (1090, 1.0, 1.0)),
    "alike": ((1060, 1.0, 1.0), (1060, 1.0, 1.0)),
}


def learned_on(plant, person=None, **options):
    """The run of a plan on a plant, what was learned of it, and the tables."""
    bench = DeskBench(RIG, plant, person)
    found = learn.learn(RIG, bench.run(full_plan(RIG, **options)).in_order(), bench.instruments, Air())
    return found, curves.make(RIG, found)


def true_thrust(plant, made, charge):
    """[demand, side]: true thrust by the firmware's own curve code, from 10 to 100 % of demand."""
    box = []
    for c in made.sides:
        box.append(Curve())
        box[-1].configure(RIG.sides[c.side].esc.idle_us, RIG.sides[c.side].esc.full_us, c.curve_pm)
    demands = np.arange(100, 1001, 30)
    given = [steady_thrust(plant, [b.pulse_us(int(d)) for b in box], charge) for d in demands]
    return demands / 1000.0, np.array(given)


@pytest.mark.parametrize("fans", FANS.values(), ids=FANS)
def test_thrust_is_in_proportion_to_the_lever_and_equal_on_both_sides(fans):
    """Through a scale that reads 3 % high, with noise and a display step, and the firmware's own integers."""
    plant = tied_plant(RIG, fans)
    found, made = learned_on(plant, SimPerson(plant, scale=ScaleSpec(gain=1.03), clamp=ClampSpec()))
    assert not [f for f in found.findings if f.kind != "weak"]
    demand, given = true_thrust(plant, made, 0.8)
    full = given[-1].mean()
    assert np.abs(given / full - demand[:, None]).max() < GOAL
    assert np.abs(given[:, 0] - given[:, 1]).max() < GOAL * full
    # What it says of itself holds too, but for the scale's gain, which it cannot know.
    assert max(c.error + c.error_u for c in made.sides) < GOAL


def test_the_old_table_would_not_have_done():
    """The same measure on the table of the example sheet fails: the test above can."""
    plant = tied_plant(RIG)
    made = curves.Curves(tuple([_sheet_curve(n) for n in range(2)]), 65.0, 0, 0.0)
    demand, given = true_thrust(plant, made, 0.8)
    full = given[-1].mean()
    assert np.abs(given / full - demand[:, None]).max() > 2 * GOAL
    assert np.abs(given[:, 0] - given[:, 1]).max() > 2 * GOAL * full


def test_current_goes_on_rising_where_the_clamp_meter_was_read_no_more():
    """By the law, or by the curve of readings that lie on none: a flat end would count too little charge."""
    bench = DeskBench(RIG, tied_plant(RIG))
    readings = bench.run(full_plan(RIG)).in_order()
    fewer = [replace(r, current_a=None if r.pulse_us > 1600 else r.current_a) for r in readings]
    whole, found = (learn.learn(RIG, some, bench.instruments, Air()) for some in (readings, fewer))
    assert sorted([s.current is not None and s.current.by_law for s in found.sides]) == [False, True]
    for full, part in zip(curves.make(RIG, whole).sides, curves.make(RIG, found).sides, strict=True):
        assert full.current_da and part.current_da
        assert part.current_da == pytest.approx(full.current_da, rel=0.1, abs=2)
    kept = record.begin(RIG, full_plan(RIG), now_unix_s=0, simulated=True, old_curve_pm=[()] * len(RIG.sides))
    kept.instruments, kept.run = bench.instruments, bench.run(full_plan(RIG))
    said = summary.assumptions(kept, found)
    assert len([line for line in said if "no current was read above 55 %" in line]) == len(RIG.sides)


def test_current_that_was_not_read_is_marked_wherever_it_is_shown():
    bench = DeskBench(RIG, tied_plant(RIG))
    readings = bench.run(full_plan(RIG)).in_order()
    fewer = [replace(r, current_a=None if r.pulse_us > 1600 else r.current_a) for r in readings]
    whole, found = (learn.learn(RIG, some, bench.instruments, Air()) for some in (readings, fewer))
    for learned, has in ((whole, False), (found, True)):
        made = curves.make(RIG, learned)
        head, rows = summary.tables(RIG, made, [c.curve_pm for c in made.sides])
        assert head.count(f"{RIG.sides[0].name} draws (reckoned)") == has
        column = [row[3] for row in rows]
        assert [cell.startswith("(") for cell in column] == [pm > 560 and has for pm in made.sides[0].curve_pm]
        for s, c in zip(learned.sides, made.sides, strict=True):
            ax = Figure().subplots()
            span = np.linspace(0.0, c.curve_pm[-1] / 1000, 50)
            assert pictures._current(ax, 100 * span, span, s) == has
            assert [line.get_linestyle() == ":" for line in ax.lines] == [False, True][: 1 + has]
            last_a = ax.lines[-1].get_ydata()[-1]
            assert c.current_da and last_a == pytest.approx(c.current_da[-1] / 10, rel=0.02)


def _sheet_curve(n):
    return curves.SideCurve(n, RIG.sides[n].name, RIG.sides[n].curve_pm or (), None, 0, 0, 0, 0)


def test_a_scale_that_reads_high_moves_all_thrust_alike_and_no_table():
    tables, full = [], []
    for gain in (1.0, 1.03):
        plant = tied_plant(RIG)
        person = SimPerson(plant, scale=ScaleSpec(gain=gain, noise_n=0.0, step=0.001), clamp=None)
        _, made = learned_on(plant, person)
        tables.append([c.curve_pm for c in made.sides])
        full.append(made.full_thrust_n)
    assert np.abs(np.array(tables[0]) - np.array(tables[1])).max() <= 2
    assert full[1] / full[0] == pytest.approx(1.03, abs=2e-3)


def test_the_current_table_is_the_clamps_reading_at_each_tenth():
    plant = tied_plant(RIG)
    clamp = ClampSpec(gain=1.0, offset_a=0.0, noise_a=0.0)
    _, made = learned_on(plant, SimPerson(plant, clamp=clamp))
    for c in made.sides:
        assert c.current_da is not None and list(c.current_da) == sorted(c.current_da)
        for tenth in (4, 7, 10):
            pulses = [1000, 1000]
            pulses[c.side] = curves.pulse_us(c.curve_pm, 1000, 2000, 100 * tenth)
            plant.set_charge(c.side, 0.95)
            plant.advance(6.0, pulses)
            assert c.current_da[tenth] / 10 == pytest.approx(plant.current_a(c.side), rel=0.04)
            plant.advance(3.0, [1000, 1000])


def test_no_pulse_goes_beyond_what_was_tried():
    found, made = learned_on(tied_plant(RIG), cap_pm=600)
    assert [s.to_span for s in found.sides] == [0.6, 0.6]
    assert max(max(c.curve_pm) for c in made.sides) == 600


def test_the_weaker_side_sets_full_thrust_and_the_stronger_is_held_back():
    found, made = learned_on(tied_plant(RIG, ((1060, 1.0, 0.88), (1060, 1.0, 1.0))))
    left, right = made.sides
    assert made.set_by == 0 and left.curve_pm[10] == 1000 and right.curve_pm[10] < 960
    assert made.full_thrust_n == pytest.approx(float(found.sides[0].thrust.at(1.0)))


def test_without_a_scale_power_tells_the_sides_apart():
    """Fan laws: thrust with power to the two thirds. A fan that does less with its power is not seen, and that is
    said.
    """
    plant = tied_plant(RIG, ((1060, 1.0, 1.0), (1060, 1.3, 1.0)))
    found, made = learned_on(plant, SimPerson(plant, scale=None))
    assert {s.how for s in found.sides} == {learn.BY_POWER}
    demand, given = true_thrust(plant, made, 0.8)
    full = given[-1].mean()
    assert np.abs(given / full - demand[:, None]).max() < 2 * GOAL


def test_without_scale_and_clamp_the_square_law_is_the_stated_assumption():
    plant = tied_plant(RIG)
    found, made = learned_on(plant, SimPerson(plant, scale=None, clamp=None))
    assert {s.how for s in found.sides} == {learn.BY_SQUARE}
    assert "square of the pulse span" in learn.ASSUMPTIONS[learn.BY_SQUARE]
    left, right = made.sides
    assert left.curve_pm == right.curve_pm and left.current_da is None
    assert np.array(left.curve_pm)[1:] / 1000 == pytest.approx(np.sqrt(np.arange(1, 11) / 10), abs=0.01)
    assert all(f.sag_v > 0.5 and f.resistance_mohm is None for s in found.sides for f in s.sections)


# The table itself.

EXACT = Instruments(thrust_step_n=1e-6)


def law_table(dead, exponent, rig=RIG):
    """What `make` makes of exact readings of a power law on both sides."""
    span = np.array(plan.SPANS_PM) / 1000
    thrust = PowerLaw(65.0 / (1 - dead) ** exponent, exponent, dead).at(span)
    readings = [
        Reading(2 * n + side, side, 1000 + round(1000 * s), thrust_n=float(t))
        for n, (s, t) in enumerate(zip(span, thrust, strict=True))
        for side in (0, 1)
        if t > 0
    ]
    return curves.make(rig, learn.learn(rig, readings, EXACT, Air()))


@settings(max_examples=15, deadline=None)
@given(st.floats(0.0, 0.12), st.floats(1.3, 3.0))
def test_every_table_rises_from_0_and_does_its_best(dead, exponent):
    made = law_table(dead, exponent)
    for c in made.sides:
        assert len(c.curve_pm) == curves.POINTS and c.curve_pm[0] == 0
        assert all(b >= a for a, b in zip(c.curve_pm, c.curve_pm[1:], strict=False))
        assert c.error < 0.01
        assert c.starts_pm < 100  # the fan pushes before 10 %: no gap at the dead band


@pytest.mark.parametrize(
    ("dead", "exponent", "sampled", "chosen"), [(0.0, 2.0, 0.0045, 0.0035), (0.1, 3.0, 0.006, 0.0045)]
)
def test_chosen_points_beat_sampled_ones(dead, exponent, sampled, chosen):
    law = PowerLaw(1 / (1 - dead) ** exponent, exponent, dead)
    demand = np.arange(100, 1001)
    straight = np.interp(demand / 1000, np.arange(11) / 10, law.inverse(np.arange(11) / 10))
    assert np.abs(law.at(straight) - demand / 1000).max() > 0.9 * sampled
    # Rounding to whole microseconds is in it: a microsecond is up to 0.3 % of full thrust.
    assert law_table(dead, exponent).sides[0].error < chosen


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.integers(0, 1000), min_size=10, max_size=10).map(lambda v: (0, *sorted(v))),
    st.integers(800, 1200),
    st.integers(1700, 2200),
    st.integers(0, 1000),
)
def test_the_host_makes_the_same_pulses_as_the_box(table, idle_us, full_us, demand_pm):
    box = Curve()
    box.configure(idle_us, full_us, table)
    assert curves.pulse_us(table, idle_us, full_us, demand_pm) == box.pulse_us(demand_pm)


def test_the_turning_moment_of_a_mismatch():
    """Statics: 10 N more on one of two fans 0.6 m apart turns with 10 N * 0.3 m."""
    assert learn.turning_moment_nm(10.0, 600.0) == pytest.approx(3.0)


def test_a_power_law_is_used_where_the_points_lie_on_one():
    span = np.linspace(0.2, 1, 8)
    exact = [Point(float(s), float(60 * (s - 0.1) ** 2), 0.1) for s in span]
    on_it = fitted(exact)
    assert on_it.by_law and on_it.law.dead == pytest.approx(0.1, abs=1e-3)
    bent = fitted([replace(p, value=p.value * (1 + 0.1 * np.sin(9 * p.span))) for p in exact])
    assert not bent.by_law and bent.at(exact[3].span) == pytest.approx(bent.points[3].value)


@given(st.lists(st.floats(0.1, 60), min_size=1, max_size=8))
def test_the_monotone_curve_never_falls(values):
    span = np.linspace(0.2, 1, len(values))
    f = fitted([Point(float(s), v, 0.1) for s, v in zip(span, values, strict=True)])
    grid = f.curve.at(np.linspace(0, 1, 300))
    assert (np.diff(grid) >= -1e-9).all() and grid[0] == 0
