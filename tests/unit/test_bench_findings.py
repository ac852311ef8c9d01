"""What looks wrong is said; what is fine is not; what the instruments cannot see is not fitted."""

import re
from dataclasses import replace

import pytest
from bench_desk import ClampSpec, DeskBench, ScaleSpec, SimPerson, full_plan, rig, tied_plant

from barbox.bench import curve as curves
from barbox.bench import learn, plan, summary
from barbox.bench.air import Air
from barbox.errors import UserError

RIG = rig()
ALIKE = ((1060, 1.0, 1.0), (1060, 1.0, 1.0))


@pytest.fixture(scope="module")
def good():
    """(readings, instruments) of two fans that are alike."""
    bench = DeskBench(RIG, tied_plant(RIG, ALIKE))
    return bench.run(full_plan(RIG)).in_order(), bench.instruments


def findings(readings, instruments, rig=RIG):
    return {(f.kind, f.side): f.text for f in learn.learn(rig, readings, instruments, Air()).findings}


def changed(readings, which, **change):
    """The readings with `change` (a value or a function of the old one) in those for which `which` holds."""

    def one(r):
        return replace(r, **{k: v(getattr(r, k)) if callable(v) else v for k, v in change.items()})

    return [one(r) if which(r) else r for r in readings]


def test_two_good_fans_give_no_finding(good):
    assert findings(*good) == {}


def test_thrust_that_falls_with_the_pulse(good):
    readings, instruments = good
    found = findings(changed(readings, lambda r: (r.side, r.pulse_us) == (1, 2000), thrust_n=50.0), instruments)
    assert "thrust falls from" in found["falls", 1] and "measure both again" in found["falls", 1]
    assert ("falls", 0) not in found


@pytest.mark.parametrize("what", ["pounds taken for kilograms", "a clamp that shows half"])
def test_more_thrust_than_the_power_allows(good, what):
    readings, instruments = good
    if what.startswith("pounds"):
        bad = changed(readings, lambda r: r.side == 0, thrust_n=lambda n: n / 0.45359237)
    else:
        bad = changed(readings, lambda r: r.side == 0, current_a=lambda a: a / 2)
    found = findings(bad, instruments)
    assert "more thrust than an ideal duct of 120 mm" in found["bound", 0]
    assert ("bound", 1) not in found


def test_a_wrong_diameter_is_beyond_the_bound(good):
    small = replace(RIG, sides=tuple([replace(s, fan=replace(s.fan, diameter_mm=50)) for s in RIG.sides]))
    assert "another diameter" in findings(*good, rig=small)["bound", 0]


def test_little_thrust_for_the_power(good):
    readings, instruments = good
    found = findings(changed(readings, lambda r: True, thrust_n=lambda n: n / 2), instruments)
    assert "blocked inlet or outlet" in found["merit", 1]


@pytest.mark.parametrize(("share", "said"), [(0.80, True), (0.90, False)])
def test_a_side_that_is_15_percent_weaker(good, share, said):
    readings, instruments = good
    found = findings(changed(readings, lambda r: r.side == 1, thrust_n=lambda n: n * share), instruments)
    assert (("weak", 1) in found) == said
    assert ("weak", 0) not in found


def test_a_weak_side_is_seen_by_sag_alone():
    """Fewer turns of the fan, less current, less sag: two thirds of the power on one side."""
    plant = tied_plant(RIG, ((1060, 1.0, 1.0), (1060, 1.0, 1.0)))
    plant._sides[1]._fan_w *= 2 / 3  # a rotor that takes less
    bench = DeskBench(RIG, plant, SimPerson(plant, scale=None, clamp=None))
    found = findings(bench.run(full_plan(RIG)).in_order(), bench.instruments)
    assert "less sag than the best side" in found["weak", 1]


def test_a_reading_that_stands_out_is_named(good):
    readings, instruments = good
    found = findings(changed(readings, lambda r: (r.side, r.pulse_us) == (0, 1650), thrust_n=36.0), instruments)
    assert "N at 65 % of the pulse span" in found["stands out", 0]


@pytest.mark.parametrize(("pulse_us", "share"), [(2000, 0.85), (2000, 1.2), (1930, 0.85), (1150, 6.0)])
def test_a_bad_reading_at_an_end_is_not_blamed_on_its_neighbour(good, pulse_us, share):
    readings, instruments = good
    bad = changed(readings, lambda r: (r.side, r.pulse_us) == (0, pulse_us), thrust_n=lambda n: share * n)
    text = findings(bad, instruments)["stands out", 0]
    assert f"N at {(pulse_us - 1000) // 10} % of the pulse span" in text and text.endswith("measure that step again")


def test_a_section_of_high_resistance():
    plant = tied_plant(RIG, ALIKE)
    plant.weaken_section(1, 0, resistance_factor=1.6)
    bench = DeskBench(RIG, plant)
    run = bench.run(full_plan(RIG)).in_order()
    found = findings(run, bench.instruments)
    assert "right, lower section" in found["resistance", 1]
    assert [k for k in found if k[0] == "resistance"] == [("resistance", 1)]


def test_resistance_of_a_section_with_its_uncertainty():
    """Against the plant: series resistance of the cells and some of their fast pair, by Ohm's law."""
    plant = tied_plant(RIG, ALIKE)
    bench = DeskBench(RIG, plant, SimPerson(plant, clamp=ClampSpec(gain=1.0, offset_a=0.0)))
    found = learn.learn(RIG, bench.run(full_plan(RIG)).in_order(), bench.instruments, Air())
    series_mohm = 1000 * sum(g.series_ohm for g in plant.sections(0)[0].groups)
    lower = found.sides[0].sections[0]
    assert lower.resistance_mohm is not None and lower.resistance_sd_mohm is not None
    assert series_mohm < lower.resistance_mohm < 1.5 * series_mohm
    assert lower.resistance_sd_mohm < 0.01 * lower.resistance_mohm


def test_what_lies_below_the_resolution_is_not_fitted():
    plant = tied_plant(RIG, ((1140, 1.3, 1.0), (1140, 1.3, 1.0)))
    coarse = SimPerson(plant, scale=ScaleSpec(unit="N", step=2.0, noise_n=0.3), clamp=ClampSpec(step_a=5.0))
    bench = DeskBench(RIG, plant, coarse)
    found = learn.learn(RIG, bench.run(full_plan(RIG)).in_order(), bench.instruments, Air())
    for s in found.sides:
        assert s.current is not None
        assert len(s.thrust.below) >= 1 and min(p.value for p in s.thrust.points) >= 2.0
        assert len(s.current.below) >= 2 and min(p.value for p in s.current.points) >= 5.0
        assert len(s.thrust.points) + len(s.thrust.below) == len(plan.SPANS_PM)
    assert any("below the instrument's resolution not fitted" in line for line in summary.figures(RIG, found))


@pytest.mark.parametrize("top_n", [None, 0.0])
def test_nothing_is_claimed_above_the_last_thrust(good, top_n):
    """Pulses were tried up to full; the scale gave a thrust up to 85 % only."""
    readings, instruments = good
    part = changed(readings, lambda r: (r.side, r.pulse_us > 1850) == (0, True), thrust_n=top_n)
    found = learn.learn(RIG, part, instruments, Air())
    made = curves.make(RIG, found)
    assert [s.to_span for s in found.sides] == [0.85, 1.0]
    assert max(made.sides[0].curve_pm) == 850
    assert made.full_thrust_n == pytest.approx(found.sides[0].thrust.points[-1].value, rel=0.03)
    said = summary.headline(RIG, found, made)
    assert "left: no thrust is known above 85 % of the pulse span: the curve ends there" in said
    fell = [f.text for f in found.findings if f.kind == "falls"]
    assert bool(fell) == (top_n == 0.0) and all("no thrust at 93 % of the pulse span" in text for text in fell)


def test_few_steps_are_said(good):
    readings, instruments = good
    some = [r for r in readings if r.pulse_us in (1350, 1650, 2000) or r.side == 0]
    assert "at 3 steps only" in findings(some, instruments)["few", 1]


def test_a_single_reading_leans_on_the_square_law(good):
    readings, instruments = good
    found = learn.learn(RIG, [r for r in readings if r.pulse_us == 1650], instruments, Air())
    assert found.sides[0].thrust.law.exponent == 2.0
    assert curves.make(RIG, found).sides[0].curve_pm[10] == 650


def test_a_side_without_a_reading_is_a_sentence(good):
    readings, instruments = good
    with pytest.raises(UserError, match="right: no step of this side"):
        learn.learn(RIG, [r for r in readings if r.side == 0], instruments, Air())


@pytest.mark.parametrize(
    ("of_right", "has", "why"),
    [
        ({"thrust_n": 0.0}, {}, "right: no reading of the scale reaches its resolution"),
        ({"thrust_n": None}, {"scale": False}, "right: thrust was measured on the other side only"),
    ],
)
def test_thrust_is_never_assumed_beside_a_scale_nor_for_one_side_only(good, of_right, has, why):
    readings, instruments = good
    bad = changed(readings, lambda r: r.side == 1, **of_right)
    with pytest.raises(UserError, match=why):
        learn.learn(RIG, bad, replace(instruments, **has), Air())


def test_without_a_scale_all_sides_rest_on_one_assumption(good):
    """A clamp meter that shows nothing is no missing one; without one, a single current sensor helps nobody."""
    readings = changed(good[0], lambda r: True, thrust_n=None)
    none = changed(readings, lambda r: r.side == 1, current_a=0.0)
    instruments = replace(good[1], scale=False)
    with pytest.raises(UserError, match="right: no reading of the clamp meter reaches its resolution"):
        learn.learn(RIG, none, instruments, Air())
    found = learn.learn(RIG, none, replace(instruments, clamp=False), Air())
    assert {s.how for s in found.sides} == {learn.BY_SQUARE}


def test_a_fuller_pack_does_not_make_a_stronger_fan():
    """One string fresh, one at half: carried to one voltage by the fan laws, the fans are alike."""
    plant = tied_plant(RIG, ALIKE)
    plant.set_charge(0, 0.4)
    bench = DeskBench(RIG, plant)
    readings = bench.run(full_plan(RIG)).in_order()
    at_full = {r.side: r.thrust_n for r in readings if r.pulse_us == 2000}
    assert at_full[1] > 1.1 * at_full[0]
    found = learn.learn(RIG, readings, bench.instruments, Air())
    assert abs(found.mismatch_n()) < 0.03 * at_full[0]


def test_what_the_summary_says(good):
    readings, instruments = good
    found = learn.learn(RIG, readings, instruments, Air())
    said = " ".join(summary.headline(RIG, found, curves.make(RIG, found)))
    assert "N m about the middle of fans 600 mm apart" in said
    assert "nan" not in " ".join(summary.figures(RIG, found))


@pytest.mark.parametrize("clamp", [True, False])
def test_an_assumed_thrust_is_called_one_and_its_errors_are_not_stated(good, clamp):
    nothing = {"thrust_n": None} if clamp else {"thrust_n": None, "current_a": None}
    readings = changed(good[0], lambda r: True, **nothing)
    found = learn.learn(RIG, readings, replace(good[1], scale=False, clamp=clamp), Air())
    made = curves.make(RIG, found)
    first, *others = summary.headline(RIG, found, made)
    assert first.startswith("THRUST IS ASSUMED, not measured") and "from the sheet" in first
    assert "if that holds, full demand gives" in others[0]
    said = " ".join([first, *others])
    assert not any(words in said for words in ("within", "give or take", "begins to push", "pulls", "%"))
    data = summary.as_dict(RIG, found, made)
    assert data["apart"] is None and all(s["error"] is None and s["low_error"] is None for s in data["sides"])


def test_what_the_instruments_may_be_off_by_is_in_the_uncertainties(good):
    """5 % of gain is 5 % of a thrust, a current, a resistance at least; nothing of what they are in proportion."""
    readings, instruments = good
    poor = replace(instruments, thrust_error_percent=5.0, current_error_percent=20.0)
    found = learn.learn(RIG, readings, poor, Air())
    made = curves.make(RIG, found)
    first = summary.headline(RIG, found, made)[0]
    assert float(re.search(r"give or take ([\d.]+) N", first)[1]) == pytest.approx(0.051 * made.full_thrust_n, rel=0.05)
    said = summary.figures(RIG, found)
    for what, least in (("left: thrust = ", 0.05), ("left: current = ", 0.2), ("left: shaft power = ", 0.2)):
        line = next(line for line in said if line.startswith(what))
        scale, u = re.search(r"= ([\d.e+]+) \(\+- ([\d.e+]+)\)", line).groups()
        assert least <= float(u) / float(scale) * 1.03 < 1.6 * least
    ohm, u = next(m.groups() for line in said if (m := re.search(r"; ([\d.]+) \+- ([\d.]+) milliohm", line)))
    assert float(u) / float(ohm) == pytest.approx(0.2, rel=0.3)  # to one digit
    merit = found.sides[0].merits[-1]
    assert merit.u_read / merit.merit == pytest.approx(((1.5 * 0.025) ** 2 + 0.1**2) ** 0.5, rel=0.05)


def test_the_figure_of_merit_is_as_uncertain_as_what_it_is_made_of(good):
    """Ideal power goes with 1 / sqrt(density). What nobody has stated counts, but it silences no finding."""

    def relative(air, efficiency):
        sides = tuple([replace(s, fan=replace(s.fan, efficiency=efficiency)) for s in RIG.sides])
        m = learn.learn(replace(RIG, sides=sides), *good, air).sides[0].merits[-1]
        return m.u / m.merit, m.u_read / m.merit

    stated, read = relative(Air(1013.25, 15.0), 0.9)
    assumed, _ = relative(Air(1013.25, 15.0), None)
    nowhere, same = relative(Air(), 0.9)
    cold, _ = relative(Air(temperature_c=2.0), 0.9)
    assert assumed**2 - stated**2 == pytest.approx(0.04**2)
    assert nowhere**2 - stated**2 == pytest.approx((0.05**2 + 0.04**2) / 4)
    assert read == same < stated < cold < nowhere


@pytest.mark.parametrize(("pressure", "temperature"), [(300, 15), (1013, 90)])
def test_air_that_is_no_weather(pressure, temperature):
    with pytest.raises(ValueError, match="outside"):
        Air(pressure, temperature)
