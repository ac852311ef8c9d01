"""What each setting can do when it is wrong, and what follows: in the table, in `settle`, near the nominal divider."""

import pytest
from desk import rig_values
from hypothesis import given
from hypothesis import strategies as st

from shared_proto import settings as t

SERIAL = b"e661"


@pytest.mark.parametrize("setting", t.SETTINGS, ids=lambda s: f"{s.group}.{s.name}")
def test_each_says_what_it_can_do(setting):
    assert setting.danger in (t.HARMLESS, t.GUARDS, t.THRUST, t.BOX)
    assert len(setting.wrong) > 15 and "\n" not in setting.wrong and not setting.wrong.endswith(".")


def test_what_makes_pulses_decides_thrust():
    """Whoever adds a setting that pulses or caps are made of has to say so."""
    for name in ("side.idle_us", "side.full_us", "side.curve", "ramp_up_ms", "unproven_cap_pm", "single_track_cap_pm",
                 "sense_cap_pm", "bench_cap_pm", "lever_a_rest_mv", "lever_dead_pm"):  # fmt: skip
        assert t.SETTINGS[t.ROWS[name]].danger == t.THRUST
    assert t.SETTINGS[t.ROWS["side.proven"]].danger == t.BOX
    assert [s.name for s in t.SETTINGS if s.danger == t.HARMLESS] == ["rig_crc", "stream_hz"]


def test_new_end_points_wait_and_old_ones_come_back_at_once():
    now = rig_values()
    new = now.copy()
    new.put("side.idle_us", 1100)
    t.settle(new, now, SERIAL)
    assert t.ends_wait(new) and t.in_force_us(new, "idle", 0) == 1000 and new.get("side.idle_us") == 1100
    other = new.copy()
    other.put("ramp_up_ms", 900)
    t.settle(other, new, SERIAL)  # another change meanwhile brings nothing into force
    assert t.in_force_us(other, "idle", 0) == 1000
    back = other.copy()
    back.put("side.idle_us", 1000)
    t.settle(back, other, SERIAL)
    assert not t.ends_wait(back)
    assert t.take_force(other) == [(0, 1000, 1100)] and not t.ends_wait(other)
    assert t.in_force_us(other, "idle", 0) == 1100 and t.take_force(other) is None


@given(
    st.integers(10_000, 8_000_000), st.integers(-32000, 32000), st.integers(10_000, 8_000_000), st.integers(1, 14),
    st.integers(3000, 4200),
)  # fmt: skip
def test_no_calibration_that_is_taken_moves_a_cell_far(nominal, offset_mv, nv, cells, cell_mv):
    values = t.Values()
    for name, value in (("cells", cells), ("nominal_nv", nominal), ("nv_per_count", nv), ("offset_mv", offset_mv)):
        values.put("sense." + name, value, 1)
    if t.far_from_nominal(values, 1):
        return
    reads_mv = cell_mv * nv / nominal + offset_mv / cells
    # One per mille more by rounding on the way.
    assert abs(reads_mv - cell_mv) <= (t.NEAR_PM + 3) * cell_mv / 1000


@pytest.mark.parametrize(("nv", "offset_mv", "fits"), [
    (2_000_000, 0, True), (2_040_000, -300, True), (2_090_000, 0, True), (2_110_000, 0, False),
    (2_000_000, 2000, False),
    (1_000_000, 21_000, False), (2_000_000, 32_000, False),
])  # fmt: skip
def test_which_calibrations_fit(nv, offset_mv, fits):
    values = t.Values()
    for name, value in (("cells", 10), ("nominal_nv", 2_000_000), ("nv_per_count", nv), ("offset_mv", offset_mv)):
        values.put("sense." + name, value, 1)
    assert (t.far_from_nominal(values, 1) == "") == fits


def test_a_calibration_without_its_nominal_divider_is_not_taken():
    values = rig_values()
    values.put("sense.nominal_nv", 0, 1)
    assert "apply the rig sheet again" in t.conflict(values)


def test_a_pack_negative_is_not_moved_far():
    values = rig_values()
    for name, value in (("side", 1), ("kind", t.NEGATIVE), ("nv_per_count", 125_000), ("offset_mv", 51)):
        values.put("sense." + name, value, 2)
    assert "pack negative" in t.conflict(values)
