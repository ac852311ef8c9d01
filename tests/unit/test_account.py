"""Account, figures and picture of a made-up ride."""

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from made_ride import MadeRide, ride

from barbox import proto
from barbox.errors import UserError
from barbox.rides import file
from barbox.rides.account import account, clock
from barbox.rides.figures import summary
from barbox.rides.picture import draw, save
from barbox.rides.timeline import timeline
from barbox.settings_text import as_json
from shared_proto import messages
from shared_proto.settings import ROWS, Values

RIDE = ride()
FOUND = summary(RIDE)


def part(made, mask):
    return MadeRide(made.status[mask], made.events, made.header)


def test_the_account_tells_what_happened():
    lines = [str(line) for line in account(RIDE)]
    assert lines == [
        "00:00 recording begins: LOCKED; to arm: open the stop loop once, to show that it works, and close it; "
        "left 4.15 and 4.16, right 4.14 and 4.12 V a cell",
        "00:00 warning: voltages are nominal: not calibrated against a meter",
        "00:12 arming refused: bring the lever to rest",
        "00:20 armed: READY, the lever now gives thrust",
        "00:30 driving for 10:29: demand up to 97 %, 50 % on average",
        "05:10 right, upper section low: 3.62 V a cell at 79 % demand (warns below 3.72 V at rest, or when cutback "
        "is near)",
        "07:00 cutback begins at 42 % demand, to spare right, upper section",
        "08:59 cutback ends after 01:59: right, upper section went down to 3.55 V a cell at 46 % demand; thrust was "
        "limited to 38 % at the least",
        "09:29 left, tap at 5 cells (input 1): reads near nothing: sense fuse blown or wire broken; a sensing fault, "
        "not a low pack (the cells around it still read 3.81 V a cell); thrust capped at 30 %",
        "09:50 left, tap at 5 cells (input 1): reads believably again",
        "10:59 HELD: stop loop opened at 58 % demand; idle pulses 0.02 s later at most (first record that shows "
        "them); to clear: close the stop loop",
        "11:20 LOCKED: idle pulses only",
        "11:59 recording ends: LOCKED; left 3.78 and 3.79, right 3.73 and 3.53 V a cell",
    ]


def test_the_account_says_how_far_the_voltages_may_be_off():
    who = {
        "side_uncertainty_mv": [260, 270, 0, 0],
        "side_growth_mv": [160, 0, 0, 0],
        "side_drift_mv": [43, 43, 0, 0],
    }
    lines = [line.text for line in account(MadeRide(RIDE.status, RIDE.events, {**RIDE.header, "identity": who}))]
    assert lines[1] == (
        "string voltages as the box states them: left +/- 0.26 V and 0.16 V more at 100 A, right +/- 0.27 V (95 %)"
    )
    older = {**RIDE.header, "identity": {"uncertainty_mv": 260}}
    assert not [t for t in account(MadeRide(RIDE.status, RIDE.events, older)) if "as the box states" in t.text]


def test_the_figures():
    assert FOUND["duration_s"] == 719.9
    assert FOUND["states_s"] == {"LOCKED": 59.9, "READY": 10.0, "DRIVING": 630.0, "HELD": 20.0}
    assert FOUND["arming_refused"] == [{"t_s": 12.0, "waits": "LEVER_REST", "words": "bring the lever to rest"}]
    low = next(w for w in FOUND["warnings"] if w["name"] == "LOW")
    assert (low["first_s"], low["last_s"], low["section"]) == (310.0, 719.9, "right, upper section")
    (cutback,) = FOUND["cutbacks"]
    assert (cutback["first_s"], cutback["last_s"], cutback["limit_pm_least"]) == (420.0, 539.9, 380)
    assert cutback["lowest"]["section"] == "upper section"
    (fault,) = FOUND["sense_faults"]
    assert (fault["t_s"], fault["cleared_s"]) == (569.96, 590.0)
    assert (fault["fault"], fault["point"]) == ("OPEN", "tap at 5 cells")
    (stop,) = FOUND["stops"]
    assert (stop["cause"], stop["idle_within_s"], stop["was_turning"]) == ("STOP_OPEN", 0.02, True)
    assert FOUND["largest_demand"]["pm"] == int(RIDE.status["demand_pm"].max())
    assert (FOUND["records_missed"], FOUND["gaps"], FOUND["restarts"]) == (0, [], 0)
    assert FOUND["energy"] == "not known: no current is measured"
    json.dumps(FOUND)


def test_times_by_state_add_up_to_the_ride():
    assert sum(FOUND["states_s"].values()) == pytest.approx(FOUND["duration_s"], abs=0.01)
    assert sum(FOUND["limits_s"].values()) == pytest.approx(FOUND["duration_s"], abs=0.01)


def test_a_stop_without_idle_pulses_is_said():
    made = ride()
    after = (made.status["time_ms"] >= 665000) & (made.status["time_ms"] < 685000)
    made.status["pulse_us"][after, 0] = 1400
    assert summary(made)["stops"][0]["idle_within_s"] is None
    assert any("NO RECORD shows idle pulses afterwards" in str(line) for line in account(made))


@hypothesis_settings(max_examples=25, deadline=None)
@given(st.integers(10, 7000), st.integers(5, 190))
def test_lost_records_are_counted_one_by_one(first, length):
    mask = np.ones(len(RIDE.status), bool)
    mask[first : first + length] = False
    found = summary(part(RIDE, mask))
    assert found["records_missed"] == length
    assert [g["length_s"] for g in found["gaps"]] == [pytest.approx((length + 1) / 10)]


def test_a_gap_is_not_time_spent_in_a_state():
    mask = np.ones(len(RIDE.status), bool)
    mask[1000:2000] = False
    assert summary(part(RIDE, mask))["states_s"]["DRIVING"] == pytest.approx(530.0, abs=0.2)


def test_a_cutback_that_lasts_to_the_end_is_not_told_as_over():
    made = ride(500)
    assert summary(made)["cutbacks"][0]["over"] is False
    assert any("cutback still in force after 01:19" in str(line) for line in account(made))


def test_the_clock_may_wrap_and_the_box_restart():
    made = ride(100)
    plain = timeline(made).t_s
    shifted = (made.status["time_ms"].astype(int) + 2**30 - 40000) % 2**30
    made.status["time_ms"] = shifted
    made.events["time_ms"] = (made.events["time_ms"].astype(int) + 2**30 - 40000) % 2**30
    line = timeline(made)
    assert np.array_equal(line.t_s, plain)
    assert line.event_t_s.tolist() == [12.0, 20.0, 30.0]
    assert line.restarts == 0

    made = ride(100)
    again = made.status["time_ms"] >= 65000
    made.status["time_ms"][again] -= 64000
    line = timeline(made)
    assert line.restarts == 1
    assert np.all(np.diff(line.t_s) > 0)
    # The second start is 1 s old at its first record, and follows on the last record before.
    assert line.t_s[600] == pytest.approx(line.t_s[599] + 1.0)
    assert summary(made)["overruns"] == 0


def test_counters_that_begin_anew_are_added_up():
    made = ride(10)
    made.status["overruns"] = [0, 1, 3, 3] + [0] * 50 + [2] * 46
    assert summary(made)["overruns"] == 5


def test_a_lost_tap_makes_one_section_of_two():
    line = timeline(RIDE)
    upper = line.sections[1]
    lost = np.flatnonzero(upper.merged)
    assert lost.min() == 5700 and lost.max() == 5899
    mean = RIDE.status["sense_mv"][lost, 1] / 10 / 1000
    assert np.allclose(upper.cell_v[lost], mean)


def test_settings_by_name_in_either_way():
    each = {name: as_json(RIDE.header["settings"][name]) for name in RIDE.header["settings"]}
    assert timeline(RIDE).side_names == ["left", "right"]
    grouped = file.settings_by_name(_values(each))
    assert set(grouped) == set(ROWS)
    made = replace(RIDE, header={"settings": grouped | {"of_a_newer_version": 5, "ramp_up_ms": 1}})
    line = timeline(made)
    assert line.side_names == ["left", "right"]
    assert line.settings.get("ramp_up_ms") == Values().get("ramp_up_ms")
    assert [str(one) for one in account(made)] == [str(one) for one in account(RIDE)]


def _values(each):
    from barbox.rides.timeline import settings_of

    return settings_of(each)


def test_nothing_recorded():
    empty = MadeRide(
        np.zeros(0, proto.dtype(messages.STATUS)), np.zeros(0, proto.dtype(messages.EVENT)), {"settings": {}}
    )
    assert [str(line) for line in account(empty)] == ["00:00 no record"]
    assert summary(empty) == {"duration_s": 0.0, "records": 0}
    assert draw(empty).startswith(b"\x89PNG")


@pytest.mark.parametrize("seconds", [0.1, 0.2, 31])
def test_a_very_short_ride(seconds):
    made = ride(720)
    short = MadeRide(made.status[: round(seconds * 10)], made.events[:0], made.header)
    assert account(short)
    json.dumps(summary(short))
    assert draw(short).startswith(b"\x89PNG")


def test_nothing_known_of_the_voltages():
    made = ride(60)
    made.status["sense_mv"] = made.status["section_mv"] = messages.NOT_KNOWN_MV
    assert summary(made)["lowest_cell"] is None
    assert account(made)
    assert draw(made).startswith(b"\x89PNG")


def test_the_same_ride_gives_the_same_picture(tmp_path):
    once = draw(RIDE, "trike")
    assert once == draw(RIDE, "trike")
    save(RIDE, tmp_path / "ride.png", "trike")
    assert (tmp_path / "ride.png").read_bytes() == once
    with pytest.raises(UserError, match="cannot be written"):
        save(RIDE, tmp_path / "none" / "ride.png")


def test_the_clock_of_an_account():
    assert [clock(t) for t in (0, 59.9, 312, 3912)] == ["00:00", "00:59", "05:12", "1:05:12"]
