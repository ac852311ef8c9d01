"""What a box says of its own voltages, against sums by hand (JCGM 100:2008, 4.3.7 and 5.1.2)."""

from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from barbox.rig import read
from barbox.rig.template import example_text
from services.uncertainty import Uncertainty
from shared_proto.settings import Values

FULL_MV = 42_600  # ten cells at the default of cell_over_mv


def calibrated(**more):
    values = read(example_text().encode()).settings()
    for n in range(8):
        values.put("sense.calibrated", 1, n)
        values.put("sense.uncertainty_mv", 20, n)
    for name, value in more.items():
        values.put(name, value)
    return values


def test_a_calibrated_string_with_its_negative_sensed():
    known = Uncertainty(calibrated(), 1000)
    # 20 mV each of the top and the negative; 1000 ppm of 42.6 V as a limit: over sqrt(3), times 2.
    by_hand = sqrt(20**2 + 20**2 + (2 * 42.6 / sqrt(3)) ** 2)
    assert known.side_mv[0] == pytest.approx(by_hand, abs=1) and known.side_mv[0] >= by_hand
    assert known.side_mv[2:] == [0, 0]
    assert known.drift_mv == [43, 43, 0, 0]
    assert known.growth_mv == [0, 0, 0, 0]
    # A section moves with the reference by its own half of the voltage.
    assert known.section_mv[1] == pytest.approx(sqrt(20**2 + 20**2 + (2 * 21.3 / sqrt(3)) ** 2), abs=1)
    assert known.section_mv[2] == 0  # no section ends at a negative
    assert known.worst_mv == known.side_mv[0]


def test_sections_between_two_adc_parts_do_not_share_a_reference():
    values = calibrated()
    values.put("sense.side", 0, 1)
    values.put("sense.side", 1, 7)
    values.put("sense.cells", 10, 7)
    both = sqrt(20**2 + 20**2 + (2 / sqrt(3)) ** 2 * (42.6**2 + 21.3**2))
    assert Uncertainty(values, 1000).section_mv[7] == pytest.approx(both, abs=1)


def test_the_reference_is_in_a_nominal_uncertainty_already():
    values = read(example_text().encode()).settings()
    negative = values.get("sense.uncertainty_mv", 2)
    nominal = sqrt(values.get("sense.uncertainty_mv", 1) ** 2 + negative**2)
    assert Uncertainty(values, 10_000).side_mv[0] == pytest.approx(nominal, abs=1)


def test_ground_offset_grows_with_current_where_the_negative_is_not_sensed():
    values = calibrated()
    values.put("sense.side", 0, 2)
    known = Uncertainty(values, 1000)
    # The example's lead: 1 m of 16 mm2 copper (IEC 60028: 0.017241 ohm mm2/m) and 0.5 milliohm of contacts.
    assert known.growth_mv == [pytest.approx((1000 * 0.017241 / 16 + 0.5) * 100, abs=1), 0, 0, 0]
    assert 100 <= known.growth_mv[0] <= 300  # 0.1 to 0.3 V at 100 A is common practice


def test_a_held_rail_is_stated_by_the_rig():
    loose = Uncertainty(calibrated(), 10_000)
    held = Uncertainty(calibrated(reference_ppm=500), 10_000)
    assert loose.drift_mv[0] == 426 and held.drift_mv[0] == 22
    assert held.side_mv[0] < 40 < 400 < loose.side_mv[0]


@given(st.integers(0, 5000), st.integers(0, 60000), st.integers(4200, 4400), st.integers(0, 100_000))
def test_never_below_the_calibration_and_always_fit_to_send(mv, ppm, over_mv, uohm):
    values = Values()
    for n in range(8):
        values.put("sense.side", n % 2 + 1, n)
        values.put("sense.uncertainty_mv", mv, n)
        values.put("sense.calibrated", 1, n)
    values.put("reference_ppm", ppm)
    values.put("cell_over_mv", over_mv)
    values.put("side.negative_uohm", uohm)
    known = Uncertainty(values, 10_000)
    for figure in [*known.side_mv, *known.growth_mv, *known.drift_mv, *known.section_mv]:
        assert isinstance(figure, int) and 0 <= figure <= 0xFFFF
    assert known.worst_mv >= mv
