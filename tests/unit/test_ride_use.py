"""What a ride took out of the packs, against hand calculation."""

import json
from dataclasses import replace

import numpy as np
import pytest
from made_ride import MadeRide, ride

from barbox.rides.account import account
from barbox.rides.figures import summary
from barbox.rides.picture import draw
from barbox.rides.timeline import timeline
from shared_proto.messages import NOT_KNOWN_MV

PER_RECORD_S = 0.1


def known(seconds=60.0, **settings):
    """A made-up minute from 1:00 on, driving, with 30 A from 40 V on the left, 20 A from 38 V on the right, and
    36 km/h."""
    made = ride(120)
    at = round(10 * (120 - seconds))
    s = made.status[at:].copy()
    s["sense_mv"][:, 1], s["sense_mv"][:, 5] = 40_000, 38_000
    s["current_da"][:, 0], s["current_da"][:, 1] = 300, 200
    s["charge_pm"][:, 0] = np.linspace(900, 800, len(s))
    s["speed_dmh"] = 360
    s["rest_cell_mv"], s["minutes_left"] = 3900, 21
    return MadeRide(s, made.events[:0], {"settings": made.header["settings"] | {"wheel_mm": 1600, **settings}})


def test_energy_charge_and_way_by_hand():
    made = known()
    found = summary(made)
    hours = (len(made.status) - 1) * PER_RECORD_S / 3600
    left, right = found["use"]["sides"]
    assert left["energy_wh"] == pytest.approx(30 * 40 * hours, abs=0.06)
    assert right["energy_wh"] == pytest.approx(20 * 38 * hours, abs=0.06)
    assert left["charge_used_ah"] == pytest.approx(30 * hours, abs=0.001)
    assert (left["current_a_most"], left["first_charge_percent"], left["last_charge_percent"]) == (30, 90, 80)
    assert (right["first_charge_percent"], right["last_charge_percent"]) == (None, None)
    assert found["use"]["distance_km"] == pytest.approx(36 * hours, abs=0.001)
    assert found["use"]["energy_wh_per_km"] == pytest.approx((1200 + 760) / 36, abs=0.3)
    assert (found["use"]["last_rest_cell_v"], found["use"]["last_minutes_left"]) == (3.9, 21)
    assert found["energy"] == "left 20.0 Wh and right 12.6 Wh by the measured curve"
    json.dumps(found)


def test_a_sensor_is_told_from_the_curve():
    found = summary(known(**{"sense4.side": 2, "sense4.kind": 2}))
    assert found["energy"] == "right 12.6 Wh by the current sensor, left 20.0 Wh by the measured curve"


def test_what_is_not_known_is_not_counted_and_not_made_up():
    made = known()
    made.status["current_da"][:300] = NOT_KNOWN_MV
    left = summary(made)["use"]["sides"][0]
    assert left["current_known_s"] == pytest.approx(29.9, abs=0.11)
    assert left["energy_wh"] == pytest.approx(30 * 40 * 29.9 / 3600, abs=0.1)
    made.status["current_da"] = NOT_KNOWN_MV
    found = summary(made)
    assert found["energy"] == "not known: no current is measured"
    assert found["use"]["sides"][0]["energy_wh"] is None
    assert found["use"]["energy_wh_per_km"] is None
    assert not any("Wh" in str(line) for line in account(made))


def test_without_a_wheel_sensor_there_is_no_speed():
    found = summary(known(wheel_mm=0))["use"]
    assert (found["distance_km"], found["speed_km_h_most"]) == (None, None)


def test_the_account_tells_use_and_what_is_left():
    made = known()
    lines = [str(line) for line in account(made)]
    assert lines[0].endswith("; charge left: left 90 %; weakest section 3.90 V a cell at rest; 21 min left at the use "
                             "of then")  # fmt: skip
    driving = next(line for line in lines if "driving for" in line)
    assert driving.endswith("; 0.6 km, up to 36 km/h; 33 Wh, up to 30 A a side, by the measured curve")
    assert lines[-2].endswith(
        "energy used: left 20.0 Wh and right 12.6 Wh by the measured curve; 0.6 km, 54 Wh for each"
    )


def test_the_picture_has_a_panel_for_it_only_where_something_is_known():
    made = known()
    plain = replace(made, status=made.status.copy(), header={"settings": made.header["settings"] | {"wheel_mm": 0}})
    plain.status["current_da"] = plain.status["charge_pm"] = NOT_KNOWN_MV

    def height(png):
        return int.from_bytes(png[20:24], "big")  # PNG (ISO/IEC 15948), header chunk

    assert height(draw(made)) > height(draw(plain))
    assert draw(made) == draw(made)


def test_a_ride_of_an_older_version_has_none_of_it():
    made = known()
    new = ("supply_mv", "speed_dmh", "current_da", "rest_cell_mv", "charge_pm", "minutes_left")
    old = made.status[[n for n in made.status.dtype.names if n not in new]]
    found = summary(replace(made, status=old))
    assert found["energy"] == "not known: no current is measured"
    assert found["use"]["distance_km"] is None
    assert account(replace(made, status=old))


def test_inputs_of_another_kind_are_no_sections_and_have_names():
    made = known()
    made.status["sense_fault"][100:200, 2] = 4
    assert [s.input for s in timeline(made).sections] == [1, 2, 5, 6]
    (fault,) = summary(made)["sense_faults"]
    assert (fault["side"], fault["point"], fault["input"]) == ("left", "pack negative", 3)
