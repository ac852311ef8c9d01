"""Meters, typed readings, points files: text to numbers, and every fault a sentence."""

from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from barbox.calibration.meter import Meter, parse_range, parse_reading
from barbox.errors import UserError
from barbox.rig.boards import BOARDS
from barbox.sim.firmware import board_pins


@pytest.mark.parametrize(
    "text",
    ["0.5%+2d@60V/0.01", "0,5 % + 2 d @ 60 V / 0,01 V", "0.5%+2D@60v/10mV", " 0.50%+2d@60V/0.01V ",
     "±(0.5% + 2d)@60V/0.01", "+/-(0.5 % + 2 digits) @ 60 V / 0.01 V", "0.5% rdg + 2 dgt@60V/0.01",
     "(0.5 % of rdg. + 2 counts)@60V/0.01"],
)  # fmt: skip
def test_accuracy_as_data_sheets_write_it(text):
    r = parse_range(text)
    assert (r.percent, r.digits, r.full_v, r.step_v) == (0.5, 2, 60, 0.01)
    assert str(r) == "0.5%+2d@60V/0.01" and parse_range(str(r)) == r


def test_limits_are_rectangular():
    """JCGM 100:2008, 4.3.7: half-width over the square root of 3; the half digit of rounding is part of the digits."""
    r = parse_range("0.5%+2d@60V/0.01")
    assert r.limit_v(50) == pytest.approx(0.27)
    assert r.gain_u * 50 == pytest.approx(0.25 / sqrt(3))
    assert r.zero_u_v == pytest.approx(0.015 / sqrt(3)) and r.rounding_u_v == pytest.approx(0.005 / sqrt(3))
    assert r.expanded_v(50) == pytest.approx(2 * sqrt(0.25**2 + 0.015**2 + 0.005**2) / sqrt(3))


@pytest.mark.parametrize(
    ("text", "volts", "last_v"),
    [
        ("41.93", 41.93, 0.01),
        ("41,93 V", 41.93, 0.01),
        ("+41.930v", 41.93, 0.001),
        ("41930 mV", 41.93, 0.01),
        ("41931mV", 41.931, 0.001),
        ("-0,5", -0.5, 0.1),
        ("42", 42.0, 1.0),
        ("42.", 42.0, 1.0),
        ("0", 0.0, 1.0),
    ],
)
def test_typed_readings(text, volts, last_v):
    r = parse_reading(text)
    assert (r.volts, r.last_v) == (pytest.approx(volts), pytest.approx(last_v))


@given(st.text(max_size=12))
def test_any_text_is_a_reading_or_a_sentence(text):
    try:
        parse_reading(text)
    except UserError as error:
        assert "is not a reading; type a number in V or mV" in str(error)


@given(st.integers(-99_999, 99_999), st.integers(0, 3))
def test_every_number_is_read_as_it_stands(number, decimals):
    r = parse_reading(f"{number / 10**decimals:.{decimals}f}")
    assert r.volts == pytest.approx(number / 10**decimals)


def test_the_range_that_shows_a_reading():
    meter = Meter.parse(["0.5%+2d@60V/0.01", "0.4%+1d@6V/0.001", "1%+3d@600V/0.1"])
    assert [r.full_v for r in meter.ranges] == [6, 60, 600]
    assert meter.range_of(parse_reading("5.123")).full_v == 6
    assert meter.range_of(parse_reading("50.12")).full_v == 60
    assert meter.range_of(parse_reading("50.1")).full_v == 60
    assert meter.range_of(parse_reading("60.1")).full_v == 600
    with pytest.raises(UserError, match="largest range ends at 600 V"):
        meter.range_of(parse_reading("601"))
    with pytest.raises(UserError, match="more decimals than the meter shows"):
        meter.range_of(parse_reading("50.123"))


@pytest.mark.parametrize("name", BOARDS)
def test_drift_from_day_to_day_is_that_of_the_board_file(name):
    assert BOARDS[name].drift_limit == pytest.approx(board_pins(name).REFERENCE_PPM * 1e-6)
