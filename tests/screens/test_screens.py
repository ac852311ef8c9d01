"""What the rider sees and hears, on the real firmware, the registers of the display and the pins of the sounder.

The text is read back from the pixels by the shapes of the built-in letters. One whole screen is held to its
pixels in `driving.txt` (two rows of pixels to a line); render any with `barbox.sim.screenshot.save_png`.
"""

import re
from pathlib import Path

import pytest

from barbox.demo.ride import example_rig
from barbox.sim.board import RIGHT, SimBoard
from barbox.sim.screenshot import rows
from shared_proto import states

RIG = example_rig()
HERE = Path(__file__).parent


def board(**options):
    box = SimBoard.from_rig(RIG, errors=False, keep_pulses=False, **options)
    box.power_on()
    box.advance(4)
    return box


@pytest.fixture
def box():
    box = board()
    yield box
    box.close()


def driving(box, per_mille=620):
    box.arm()
    box.move_lever(per_mille)
    box.advance(5)


def words(box):
    return " ".join(box.screen_text())


def test_locked_says_what_arming_waits_for_and_both_strings(box):
    said = words(box)
    assert said.startswith("LOCKED open the stop loop, then close")
    for side in (0, 1):
        assert f"{box.string_voltage_v(side):.1f}" in said


def test_without_a_rig_it_is_a_voltmeter():
    box = board(applied=False)
    try:
        assert "no rig applied: voltmeter only" in words(box)
    finally:
        box.close()


def test_driving_shows_cells_strings_demand_and_state(box):
    driving(box)
    said = words(box)
    assert "DRIVING" in said and "%" in said
    shown = [float(v) for v in re.findall(r"(\d\d\.\d) V", said)]
    assert shown == pytest.approx([box.string_voltage_v(0), box.string_voltage_v(1)], abs=0.15)


def test_driving_to_the_pixel(box):
    driving(box)
    assert "\n".join(rows(box.screen())) + "\n" == (HERE / "driving.txt").read_text()


def test_a_lost_sense_point_is_named_in_large_letters(box):
    driving(box)
    box.cut_sense_wire(1)
    box.advance(3)
    assert "SENSE 1" in words(box)
    assert f"30% {states.name(states.LIMITS, states.LIMIT_SENSE)}" in words(box)


def test_held_shows_the_cause_and_each_step_of_the_way_out(box):
    driving(box)
    box.open_stop_loop()
    box.advance(1.5)
    said = words(box)
    assert said == f"HELD {states.CAUSES[states.CAUSE_STOP_OPEN][1]} {states.CAUSES[states.CAUSE_STOP_OPEN][2]}"
    box.close_stop_loop()
    box.move_lever(0)
    box.advance(1)
    assert words(box).endswith(states.HELD_END)


def test_the_ride_goes_on_without_a_display_and_it_comes_back(box):
    driving(box)
    pulse_us = box.last_pulse_us(RIGHT)
    box.unplug_display()
    box.advance(5)
    assert not box.screen().any()
    assert abs(box.last_pulse_us(RIGHT) - pulse_us) <= 3 and pulse_us > 1200  # the lever has noise
    box.plug_in_display()
    box.advance(3)
    assert "DRIVING" in words(box)
    assert box.resets == []


def test_a_display_that_lost_its_supply_for_a_moment_is_set_up_again(box):
    driving(box)
    box.unplug_display()
    box.plug_in_display()
    assert not box.screen().any()
    box.advance(11)
    assert words(box).count("DRIVING") == 1 and len(re.findall(r"\d\d\.\d V", words(box))) == 2


def test_a_display_bus_held_low_does_not_touch_the_ride(box):
    driving(box)
    pulse_us = box.last_pulse_us(RIGHT)
    box.stick_display_bus()
    box.advance(10)
    assert abs(box.last_pulse_us(RIGHT) - pulse_us) <= 3 and pulse_us > 1200  # the lever has noise
    box.stick_display_bus(False)
    box.move_lever(0)
    box.advance(3)
    assert "READY" in words(box)
    assert box.resets == []


def test_without_a_display_from_the_start_the_box_arms_and_drives():
    box = SimBoard.from_rig(RIG, errors=False, keep_pulses=False)
    box.unplug_display()
    box.power_on()
    try:
        box.advance(4)
        driving(box)
        assert box.thrust_n(RIGHT) > 10
    finally:
        box.close()


def test_a_refused_press_is_heard(box):
    box.press_arm_button()
    box.advance(0.5)
    box.release_arm_button()
    box.advance(0.5)
    (_, pitch), (_, silence) = box.sounds
    assert pitch > 0 and silence == 0


def test_sounds_armed_held_and_silence_between(box):
    assert box.sounds == []
    driving(box)
    armed = len(box.sounds)
    assert armed >= 2  # on and off
    box.advance(20)
    assert len(box.sounds) == armed and not box.sound[1]
    box.open_stop_loop()
    box.advance(3)
    assert len(box.sounds) > armed


def test_cutback_is_seen_and_heard(box):
    driving(box)
    before = len(box.sounds)
    box.weaken_section(RIGHT, 0, charge=0.06)
    box.advance(20)
    seen = set()
    for _ in range(20):
        box.advance(0.5)
        seen.update(word for word in ("CUTBACK", "LOW") if word in words(box))
    assert "CUTBACK" in seen
    assert len(box.sounds) > before


def test_power_off_darkens_the_screen(box):
    assert box.screen().any()
    box.power_off()
    assert not box.screen().any()
    assert not box.sound[1]
