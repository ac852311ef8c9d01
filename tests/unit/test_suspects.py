"""What is named when meter and box disagree: also while all strings have the same charge, as after charging."""

import pytest

from barbox.calibration.meter import parse_range, parse_reading
from barbox.calibration.steps import targets
from barbox.calibration.suspects import Suspects
from barbox.rig import read
from barbox.rig.boards import BOARDS
from barbox.rig.template import new_text

METER = parse_range("0.5%+2d@60V/0.01")
RIG = read(new_text("trike", ["left", "right"], 10, BOARDS["pico_w"]).encode(), "trike.toml")
LEFT_TAP, LEFT_TOP, RIGHT_TAP, RIGHT_TOP = targets(RIG)
FULL_V, HALF_V = 4.19, 3.75


def said(target, reading, box_v, board=RIG.board):
    """What is said of a reading at `target` while the box reads `box_v`, in V by target."""
    codes = {t.input: v / (t.nominal_nv / 1e9) for t, v in box_v.items()}
    return Suspects(list(box_v), codes, board).judge(target, parse_reading(reading), METER)


def box(left_cell_v, right_cell_v, **other):
    """What the box reads with these cells, and in place of it `other`, in V."""
    found = {t: t.cells * (left_cell_v if t.side == "left" else right_cell_v) for t in targets(RIG)}
    by_name = {"left_tap": LEFT_TAP, "left_top": LEFT_TOP, "right_tap": RIGHT_TAP, "right_top": RIGHT_TOP}
    found.update({by_name[name]: v for name, v in other.items()})
    return found


@pytest.mark.parametrize(("times", "gain"), [(0.6, "1.7"), (0.96, "1.04"), (1.05, "0.952"), (1.1, "0.909")])
def test_a_divider_of_another_value_beside_a_string_of_the_same_charge(times, gain):
    text = said(LEFT_TOP, "41.90", box(FULL_V, FULL_V, left_top=41.9 * times))
    assert f"gain {gain} times nominal, which is no tolerance" in text


def test_crossed_wires_of_one_side_beside_a_string_of_the_same_charge():
    crossed = box(FULL_V, FULL_V, left_tap=27.0, left_top=20.95)  # the tap's input is at its end
    assert "input 1 has the wire of a higher point" in said(LEFT_TAP, "20.95", crossed)
    assert "the sense wires of inputs 2 and 1 are crossed" in said(LEFT_TOP, "41.90", crossed)


def test_the_lead_is_looked_for_on_its_own_side_first():
    level = box(FULL_V, FULL_V)
    assert "this looks like the right top (10 cells), not the right tap" in said(RIGHT_TAP, "41.90", level)
    assert "this looks like the right tap at 5 cells, not the right top" in said(RIGHT_TOP, "20.95", level)


def test_the_lead_on_the_other_side():
    assert "this looks like the right tap at 5 cells" in said(LEFT_TAP, "18.75", box(FULL_V, HALF_V))


def test_wires_that_are_crossed_between_the_sides():
    crossed = box(FULL_V, HALF_V, left_tap=5 * HALF_V, right_tap=5 * FULL_V)
    assert "exchange the sense wires of inputs 1 and 5" in said(LEFT_TAP, "20.95", crossed)


def test_nothing_arrives_and_its_sign_is_no_matter():
    assert "the box reads 0.00 V: nothing arrives" in said(LEFT_TOP, "41.90", box(FULL_V, FULL_V, left_top=-0.001))
