"""Typed readings, the place in the plan, and a scale that prints."""

from contextlib import suppress
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from barbox.bench.readings import (
    THRUST,
    Expected,
    Instruments,
    Reading,
    Run,
    expected_by,
    read_current,
    read_thrust,
)
from barbox.bench.scale import ScaleLines, last_number, zero_moved
from barbox.bench.units import CURRENT_A, THRUST_N, parse
from barbox.errors import UserError

# NIST SP 811, appendix B: 1 lbf = 4.4482216152605 N, 1 kgf = 9.80665 N, both exact.
TYPED = [
    ("12.3 N", 12.3, "N"), ("12,3N", 12.3, "N"), ("  7 kgf", 68.64655, "kgf"), ("1 lbf", 4.4482216152605, "lbf"),
    ("16ozf", 4.4482216152605, "ozf"), ("0.5 kg", 4.903325, "kgf"), ("500 g", 4.903325, "gf"),
    ("2 LB", 8.896443, "lbf"), ("+3. N", 3.0, "N"), (",5 N", 0.5, "N"), ("-0 N", 0.0, "N"),
]  # fmt: skip


@pytest.mark.parametrize(("typed", "newtons", "unit"), TYPED)
def test_a_typed_thrust(typed, newtons, unit):
    assert parse(typed, THRUST_N, None) == (pytest.approx(newtons, rel=1e-6), unit)


@pytest.mark.parametrize(
    ("typed", "unit", "why"),
    [
        ("twelve", "N", "is not a number"),
        ("", "N", "is not a number"),
        ("1.234,5 N", "N", "is not a number"),
        ("nan", "N", "is not a number"),
        ("1e3", "N", "is not a number"),
        ("12", None, "has no unit"),
        ("-3 N", "N", "is below 0"),
        ("12 A", "N", "is a current"),
        ("12 V", "N", "is a voltage"),
        ("12 stone", "N", 'not known here, "stone"'),
    ],
)
def test_what_is_no_reading_is_a_sentence(typed, unit, why):
    with pytest.raises(UserError, match=why):
        parse(typed, THRUST_N, unit)


@given(st.text(max_size=12), st.sampled_from([None, "N", "kgf"]))
def test_whatever_is_typed_is_a_number_or_a_sentence(text, unit):
    try:
        value, _ = parse(text, THRUST_N, unit)
    except UserError as error:
        assert "\n" not in str(error).replace(text.strip(), "")
    else:
        assert value >= 0


def test_a_current_in_another_unit():
    assert read_current("850 mA", Instruments(), Expected())[0] == pytest.approx(0.85)
    assert read_current("12,5", Instruments(), Expected())[0] == 12.5
    with pytest.raises(UserError, match="is a force"):
        parse("12 N", CURRENT_A, "A")


N = Instruments(thrust_unit="N")


@pytest.mark.parametrize("typed", ["123", "1.23"])
def test_ten_times_off_is_asked_about_and_can_be_confirmed(typed):
    with pytest.raises(UserError, match="about 12.3 N was expected"):
        read_thrust(typed, N, Expected(thrust_n=12.3))
    assert read_thrust(typed + "!", N, Expected(thrust_n=12.3))[0] == float(typed)
    assert read_thrust("123!", N, Expected(thrust_n=12.3)).kept
    assert read_thrust("11.9", N, Expected(thrust_n=12.3)) == (11.9, "N", False, 0.1)


def test_a_fan_that_has_hardly_started_is_no_mistake():
    assert read_thrust("0.1", N, Expected(thrust_n=1.4))[0] == 0.1


def test_a_current_ten_times_off():
    with pytest.raises(UserError, match="about 44 A was expected"):
        read_current("4.4", Instruments(), Expected(current_a=44))


def reading(step, thrust_n=1.0, side=0):
    return Reading(step, side, 1200, thrust_n=thrust_n, current_a=2.0)


def test_a_dead_band_that_nobody_knows_yet_is_no_mistake():
    low = Expected(thrust_n=2.6, span=0.2)
    assert read_thrust("0.3", N, low)[0] == 0.3 and read_thrust("15", N, low)[0] == 15
    with pytest.raises(UserError, match="was expected"):
        read_thrust("26", N, low)
    with pytest.raises(UserError, match="was expected"):
        read_thrust("1.0", N, Expected(thrust_n=10, span=0.4))


def test_another_unit_is_asked_about_and_confirmed():
    with pytest.raises(UserError, match="12 lbf\" is in lbf, and this run reads N so far: type it in N, or"):
        read_thrust("12 lbf", N, Expected(thrust_n=50))
    with pytest.raises(UserError, match="so far; it is a thrust of 53.4 N where about 5 N was expected as well"):
        read_thrust("12 lbf", N, Expected(thrust_n=5))
    changed = read_thrust("12.0 lbf!", N, Expected(thrust_n=50))
    assert (changed.unit, changed.kept) == ("lbf", False) and changed.value == pytest.approx(12 * 4.4482216)


def test_a_wrong_first_unit_is_asked_about():
    """0.41 of kgf is what the sheet has at 25 %; as N it would pass for a fan in its dead band."""
    new, low = Instruments(), Expected(thrust_n=4.06, span=0.25)
    with pytest.raises(UserError, match="and in kgf it would be 4.02 N: look at the point and the unit"):
        read_thrust("0.41 N", new, low)
    assert read_thrust("0.41 N!", new, low).value == 0.41
    assert read_thrust("0.41 kgf", new, low).unit == "kgf"
    assert read_thrust("0.01 N", new, low).value == 0.01  # a dead band, in whatever unit


def test_a_small_fan_is_checked_as_well():
    """All of its thrust lies below 2 N; the display shows hundredths."""
    with pytest.raises(UserError, match="about 0.6 N was expected"):
        read_thrust("0.06", N, Expected(thrust_n=0.6))
    with pytest.raises(UserError, match="about 0.135 N was expected"):
        read_thrust("1.38", N, Expected(thrust_n=0.135, span=0.15))


@pytest.mark.parametrize(
    ("typed", "step_n"),
    [("12.3 N", 0.1), ("12 N", 1.0), ("1.25 kgf", 0.0980665), ("0", None), ("0,00", 0.01), ("20!", 1.0), (".5N", 0.1)],
)
def test_decimals_and_unit_tell_the_resolution(typed, step_n):
    read = read_thrust(typed, Instruments(thrust_unit=None if typed[-1].isalpha() else "N"), Expected())
    assert read.step == (None if step_n is None else pytest.approx(step_n))


def test_the_finest_reading_tells_the_scales_resolution():
    """Somebody leaves a 0 out; who has stated the step is believed."""
    seen = [replace(reading(n), thrust_step_n=s) for n, s in enumerate((None, 1.0, 0.1))]
    assert Instruments().resolved(seen).step_n == 0.1
    assert Instruments().resolved(seen, 0.01).step_n == 0.01
    assert Instruments(thrust_step_n=0.5).resolved(seen).step_n == 0.5


def test_expectation_follows_the_nearest_reading_by_the_fan_laws():
    spans = {0: 0.2, 1: 0.4}
    readings = [reading(0, 2.0), reading(1, 9.0)]
    found = expected_by(readings, 0, 0.6, spans, Expected(99, 98))
    # Square law and cube law from 40 to 60 %.
    assert (found.thrust_n, found.current_a) == (pytest.approx(9 * 2.25), pytest.approx(2 * 3.375))
    assert (found.plan_n, found.plan_a) == (99, 98)
    assert expected_by(readings, 1, 0.6, spans, Expected(99, 98)) == Expected(99, 98, 0.6)


def test_readings_that_are_all_wrong_do_not_vouch_for_each_other():
    """Typed in kgf as if it were N: each follows from the one before, and none is what the sheet has."""
    spans, plan = {0: 0.2, 1: 0.4}, Expected(26.0, 40.0)
    wrong = [reading(0, 2.6 / 9.8)]
    with pytest.raises(UserError, match=r"about 26 N was expected by the sheet \(1.06 N by the steps before: if"):
        read_thrust("1.06", N, expected_by(wrong, 0, 0.4, spans, plan))
    with pytest.raises(UserError, match=r"1.06 N was expected by the steps before \(26 N by the sheet: if those"):
        read_thrust("26", N, expected_by(wrong, 0, 0.4, spans, plan))
    # A sheet that is wrong is overruled once, not at every step.
    kept = [replace(wrong[0], kept=(THRUST,))]
    assert read_thrust("1.06", N, expected_by(kept, 0, 0.4, spans, plan)).value == 1.06
    with pytest.raises(UserError, match="about 1.06 N was expected: look"):
        read_thrust("26", N, expected_by(kept, 0, 0.4, spans, plan))


def test_repeat_back_up_and_skip():
    run = Run(3)
    run.take(reading(0))
    run.take(reading(1, 5.0))
    run.back()
    run.take(reading(1, 6.0))
    run.skip()
    assert run.done and [r.thrust_n for r in run.in_order()] == [1.0, 6.0]
    with pytest.raises(UserError, match="none to skip"):
        run.skip()
    run.back()
    run.back()
    run.skip()
    assert [r.step for r in run.in_order()] == [0]
    run.resume()
    assert run.done


def test_the_first_step_has_none_before_it():
    with pytest.raises(UserError, match="first step"):
        Run(2).back()


def test_a_reading_of_another_step_is_not_kept():
    run = Run(2)
    with pytest.raises(ValueError, match="step 1 at step 0"):
        run.take(reading(1))
    assert not run.readings and run.at == 0


@given(st.lists(st.sampled_from(["take", "skip", "back"]), max_size=30))
def test_a_run_is_always_somewhere_in_its_plan(acts):
    run = Run(4)
    for act in acts:
        with suppress(UserError, ValueError):
            if act == "take":
                run.take(reading(run.at))
            elif act == "skip":
                run.skip()
            else:
                run.back()
        assert 0 <= run.at <= 4
        assert not run.skipped & set(run.readings)
        assert set(run.readings) | run.skipped <= set(range(4))


# A scale that prints.


@pytest.mark.parametrize(
    ("line", "found"),
    [
        ("ST,GS,+0012.34kg", (12.34, "kgf")),
        ("  1.50 lb", (1.5, "lbf")),
        ("US,NT,-  0,5 kg", (-0.5, "kgf")),
        ("7;12.5", (12.5, None)),
        ("1,12.5", (12.5, None)),
        ("t=3 F=9.81 N ok", (9.81, "N")),
        ("overload", None),
        ("", None),
    ],
)
def test_the_last_number_of_a_line(line, found):
    assert (number := last_number(line)) == found or number[:2] == found


def test_a_scale_in_pieces_and_its_mean():
    scale = ScaleLines("N")
    scale.feed(b"10.0\r\n1", 0.0)
    scale.feed(b"2.0 N\n\n", 1.0)
    scale.feed(b"hello\n14.0\n", 1.5)
    mean = scale.mean(0.5, 2.0)
    assert (mean.thrust_n, mean.lines, mean.step_n) == (13.0, 2, 0.1)
    assert mean.sd_n == pytest.approx(2**0.5)


def test_a_silent_scale_is_noticed():
    scale = ScaleLines("N")
    with pytest.raises(UserError, match="has not printed a number yet"):
        scale.mean(0.0, 1.0)
    scale.feed(b"10\n", 1.0)
    assert scale.mean(0.0, 2.9).thrust_n == 10
    with pytest.raises(UserError, match="has been silent for 4 s"):
        scale.mean(0.0, 5.0)
    scale.feed(b"off\n", 5.0)
    with pytest.raises(UserError, match="silent"):
        scale.mean(0.0, 5.0)


def test_a_step_without_a_line_in_it():
    scale = ScaleLines("N")
    scale.feed(b"10\n", 1.0)
    with pytest.raises(UserError, match="printed nothing during the step"):
        scale.mean(1.5, 2.5, until_s=2.0)


def test_a_scale_that_prints_seldom_is_taken_by_its_last_line():
    """Every 1.2 s, and its zero is looked at for a second."""
    scale = ScaleLines("N")
    for n in range(4):
        scale.feed(b"%d.0\n" % n, 1.2 * n)
    assert scale.mean(3.7, 4.7).thrust_n == 3
    with pytest.raises(UserError, match="silent for 3 s: .* prints every 2 s or sooner"):
        scale.mean(5.6, 6.6)


def test_a_zero_that_moved_is_said():
    assert zero_moved(0.0, 0.2, 0.1, 20.0) == ""
    assert zero_moved(0.0, 0.35, 0.1, 60.0) == ""  # half a percent of what was read
    assert "drifts" in zero_moved(0.1, 1.4, 0.1, 20.0)


@given(st.binary(max_size=400))
def test_noise_on_the_line_never_raises_nor_grows(data):
    scale = ScaleLines("N")
    for _ in range(5):
        scale.feed(data, 1.0)
    assert len(scale._rest) <= 200
