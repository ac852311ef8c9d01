"""The rig sheet: the example, and one exact sentence for each way a sheet can be wrong."""

import binascii
import re

import pytest

from barbox.errors import UserError
from barbox.rig import load, read
from barbox.rig.template import example_text
from shared_proto.settings import Values

EXAMPLE = example_text()
ESC = "esc = { idle_us = 1000, full_us = 2000, rating_a = 150 }\n"
NOTED = ESC + 'proof = { stop_proved = 2026-05-01, hold_s = 0.3, record = "trike-bench.json", mark = "0badcafe" }\n'


def changed(*pairs, text=EXAMPLE):
    """The example with each first occurrence replaced; what is not there is a mistake of the test."""
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def sentence(text):
    with pytest.raises(UserError) as caught:
        read(text.encode(), "rig.toml")
    assert caught.value.exit_code == 2
    return str(caught.value)


def test_the_example_as_the_rig_it_describes():
    rig = read(EXAMPLE.encode(), "trike.toml")
    assert [s.name for s in rig.sides] == ["left", "right"]
    assert [s.section_cells for s in rig.sides] == [(5, 5), (5, 5)]
    assert [[p.input for p in s.sense] for s in rig.sides] == [[1, 2], [5, 6]]
    assert [s.proof for s in rig.sides] == [None, None]  # nobody has made one
    assert rig.crc == binascii.crc32(EXAMPLE.encode())


def test_thrust_of_the_example_is_linear_in_demand():
    # Thrust goes with the square of speed (fan laws) and speed with the pulse span.
    curve = read(EXAMPLE.encode()).sides[0].curve_pm
    assert curve
    for tenth, span_pm in enumerate(curve):
        assert (span_pm / 1000) ** 2 == pytest.approx(tenth / 10, abs=0.002)


def test_a_short_sheet_has_the_defaults_of_the_settings_table():
    text = """
    [rig]
    name = "small"
    board = "pico_w"
    [[side]]
    name = "only"
    cells = 6
    packs = [{ cells = 6, capacity_ah = 5, c_rate = 30 }]
    sense = [{ cells = 6, input = 3, upper_kohm = 82, lower_kohm = 10 }]
    fan = { diameter_mm = 70, full_thrust_n = 20, full_power_w = 900 }
    """
    values, defaults = read(text.encode()).settings(), Values()
    for name in ("ramp_up_ms", "cell_floor_mv", "lever_dead_pm", "stream_hz", "watchdog_ms", "cell_over_mv"):
        assert values.get(name) == defaults.get(name)
    assert values.get("side.proven") == 0
    assert values.get("side.curve") == defaults.get("side.curve")
    assert values.get("sides") == 1


SIDE_1_CELLS = ("cells = 10\npacks", "cells = 12\npacks")
SENSOR_OF = "{ input = %d, amps_per_volt = 100, zero_v = 0, reference_input = %d }"
BAD = {
    "no name": (
        [('name = "trike"        #', "#")],
        'rig.toml: rig.name is missing: add it, such as `name = "trike"`',
    ),
    "no cells": ([("cells = 10\npacks", "packs")], "rig.toml: side[1].cells is missing: add it, such as `cells = 1`"),
    "no fan": ([("fan = {", "# fan = {")], "rig.toml: side[1].fan is missing: add the table [side[1].fan]"),
    "no sense": (
        [(EXAMPLE[EXAMPLE.index("sense = [") : EXAMPLE.index("# Pulse span")], "sense = []\n")],
        "rig.toml: side[1].sense is missing: add at least one "
        "{ cells = 10, input = 1, upper_kohm = 150, lower_kohm = 10 }",
    ),
    "wrong type": (
        [("cells = 10\npacks", 'cells = "10"\npacks')],
        "rig.toml: side[1].cells is text: write a number in 1..14, without quotes",
    ),
    "not whole": (
        [("cells = 10\npacks", "cells = 9.5\npacks")],
        "rig.toml: side[1].cells is 9.5: write a whole number in 1..14",
    ),
    "not a number at all": (
        [("ramp_up_s = 2.0", "ramp_up_s = nan")],
        "rig.toml: limits.ramp_up_s is nan: write a number in 0.5..20 s",
    ),
    "out of range": (
        [("ramp_up_s = 2.0", "ramp_up_s = 0.1")],
        "rig.toml: limits.ramp_up_s is 0.1: write a number in 0.5..20 s",
    ),
    "true for a number": (
        [("tracks = 2", "tracks = true")],
        "rig.toml: lever.tracks is true or false: write a number in 1..2, without quotes",
    ),
    "unknown key": (
        [("ramp_up_s =", "ramp_ups =")],
        "rig.toml: limits.ramp_ups is not a key of a rig sheet; did you mean `ramp_up_s`?",
    ),
    "unknown table": (
        [("[stream]", "[steam]")],
        "rig.toml: steam is not a key of a rig sheet; did you mean `stream`?",
    ),
    "unknown key like none": (
        [("hz = 10", "xxxxxx = 10")],
        "rig.toml: stream.xxxxxx is not a key of a rig sheet; known here: hz",
    ),
    "unknown key in a list": (
        [("{ cells = 5, capacity_ah", "{ cells = 5, capacty_ah")],
        "rig.toml: side[1].packs[1].capacty_ah is not a key of a rig sheet; did you mean `capacity_ah`?",
    ),
    "unknown board": (
        [('"pico_w"', '"picow"')],
        'rig.toml: rig.board is "picow", which is no board; did you mean pico_w?',
    ),
    "name too long": (
        [('"trike"', '"a-name-of-seventeen"')],
        'rig.toml: rig.name is "a-name-of-seventeen": write a letter, then letters, digits, - or _, at most 16 in all',
    ),
    "same name": (
        [('"right"', '"left"')],
        'rig.toml: side[2].name is "left", as is side[1].name: give each side its own name',
    ),
    "name of a setting": (
        [('"left"', '"side1"')],
        'rig.toml: side[1].name is "side1", which names a setting of any side: choose another, such as "left"',
    ),
    "cells that do not add up": (
        [SIDE_1_CELLS],
        "rig.toml: side[1].cells is 12, and the packs add up to 10 (5 + 5): correct the one that is wrong",
    ),
    "cells of the rig": (
        [('board = "pico_w"', 'cells_total = 24\nboard = "pico_w"')],
        "rig.toml: rig.cells_total is 24, and the sides have 20: correct one of them",
    ),
    "tap above the top": (
        [("{ cells = 5, input = 1", "{ cells = 11, input = 1")],
        "rig.toml: side[1].sense[1].cells is 11, above the top of the string at 10 cells: count again from below",
    ),
    "two taps at one place": (
        [("{ cells = 5, input = 1", "{ cells = 10, input = 1"), ("upper_kohm = 68", "upper_kohm = 150")],
        "rig.toml: side[1].sense[2].cells is 10, as is side[1].sense[1].cells: name each place on the string once",
    ),
    "no point at the top": (
        [("{ cells = 10, input = 2", "{ cells = 9, input = 2")],
        "rig.toml: side[1].sense has no point at the top of the string: add one with cells = 10",
    ),
    "one input twice": (
        [("input = 5", "input = 1")],
        "rig.toml: side[2].sense[1].input is 1, taken by side[1].sense[1]: give each wire its own input",
    ),
    "input the board has not": (
        [("input = 2", "input = 9")],
        "rig.toml: side[1].sense[2].input is 9, and board pico_w has inputs 1 to 8: choose another",
    ),
    "tap on a board without": (
        [('"pico_w"', '"pico"'), ("tracks = 2", "tracks = 1")],
        "rig.toml: side[1].sense[1].cells is 5, a tap below the top at 10, and board pico senses tops only: "
        "leave the tap out or use another board",
    ),
    "tracks on a board with one": (
        [('"pico_w"', '"pico"')],
        "rig.toml: lever.tracks is 2, and board pico reads 1: write tracks = 1 (a single track is capped at 40 %) "
        "or use another board",
    ),
    "divider over range": (
        [("upper_kohm = 150", "upper_kohm = 68")],
        "rig.toml: side[1].sense[2].upper_kohm is 68: 42.0 V at full charge would put 5.38 V on input 2, which takes "
        "3.2 V; the divider must be 13.1 to 1 or more, such as upper_kohm = 150 with lower_kohm = 10",
    ),
    "floors out of order": (
        [("low_v = 3.67", "low_v = 3.73")],
        "rig.toml: cells have floor_v = 3.3, low_v = 3.73, warn_v = 3.72, full_v = 4.2: they must rise in this order",
    ),
    "full above over": (
        [("full_v = 4.20", "full_v = 4.35")],
        "rig.toml: cells.full_v is 4.35, above over_v = 4.26: raise over_v or lower full_v",
    ),
    "lever too short": (
        [("tracks = 2", "tracks = 2\na_rest_mv = 500\na_full_mv = 700\nb_rest_mv = 275\nb_full_mv = 1375")],
        "rig.toml: lever.a_full_mv is 700, less than 300 mV from a_rest_mv = 500: measure both again",
    ),
    "lever near a rail": (
        [("tracks = 2", "tracks = 2\na_rest_mv = 2750\na_full_mv = 250\nb_rest_mv = 1375\nb_full_mv = 275")],
        "rig.toml: lever.a_full_mv and margin_percent = 10 come within 0 mV of a rail, and 30 is the least, or a "
        "broken wire passes for a position: move the sensor or its magnet",
    ),
    "half a lever": (
        [("tracks = 2", "tracks = 2\na_rest_mv = 500")],
        "rig.toml: lever gives some end points and not all: give rest and full of each track, or none",
    ),
    "curve falls": (
        [("447, 548", "548, 447")],
        "rig.toml: side[1].curve_pm falls from 548 to 447 at its entry 4: it must not fall",
    ),
    "curve off idle": (
        [("[0, 316", "[5, 316")],
        "rig.toml: side[1].curve_pm begins at 5: write 0 first, so that no demand is idle",
    ),
    "curve short": (
        [("[0, 316, ", "[0, ")],
        "rig.toml: side[1].curve_pm has 10 entries: write a list of 11 numbers in 0..1000 per mille",
    ),
    "curve with text": (
        [("[0, 316, ", '[0, "316", ')],
        "rig.toml: side[1].curve_pm[2] is '316': write a whole number in 0..1000 per mille",
    ),
    "no date": (
        [(ESC, NOTED.replace("2026-05-01", '"last May"'))],
        "rig.toml: side[1].proof.stop_proved is not a date: write year, month and day, such as 2026-05-01",
    ),
    "proof of a day to come": (
        [(ESC, NOTED.replace("2026", "2199"))],
        "rig.toml: side[1].proof.stop_proved is 2199-05-01, which has not come yet: nobody has proved anything then",
    ),
    "esc that holds": (
        [(ESC, NOTED.replace("hold_s = 0.3", "hold_s = 2.0"))],
        "rig.toml: side[1].proof.hold_s is 2: an ESC that runs on for more than 1 s without pulses is not proved to "
        "stop; change its settings and prove it again, or leave `proof` out and ride capped",
    ),
    "side is a table": (
        [(EXAMPLE[EXAMPLE.index("[[side]]\n") :], '[side]\nname = "left"\n')],
        "rig.toml: side is a table: write each one as [[side]]",
    ),
    "rig is a number": (
        [(EXAMPLE[EXAMPLE.index("[rig]") : EXAMPLE.index("[lever]")], "rig = 5\n")],
        "rig.toml: rig is a number: it must be a table of name, board, cells_total",
    ),
    "five sides": (
        [("\n[[side]]\n", "\n[[side]]\n" * 4)],
        "rig.toml: side has 5 sides, a box has room for 4: remove some",
    ),
    "no side": (
        [(EXAMPLE[EXAMPLE.index("[[side]]\n") :], "")],
        "rig.toml: side is missing: add at least one [[side]]",
    ),
    "negative on a taken input": (
        [("negative = { input = 3 }", "negative = { input = 2 }")],
        "rig.toml: side[1].negative.input is 2, taken by side[1].sense[2]: give each wire its own input",
    ),
    "negative on a board that reads none": (
        [
            ('"pico_w"', '"pico"'),
            ("tracks = 2", "tracks = 1"),
            ("    { cells = 5, input = 1, upper_kohm = 68, lower_kohm = 10 },\n", ""),
        ],
        "rig.toml: side[1].negative lies below ground under load, which board pico cannot read: leave it out or use "
        "another board",
    ),
    "sensor on an input the board has not": (
        [("curve_pm", "current_sensor = { input = 9, amps_per_volt = 100, zero_v = 1.65 }\ncurve_pm")],
        "rig.toml: side[1].current_sensor.input is 9, and board pico_w has inputs 1 to 8: choose another",
    ),
    "sensor without its zero": (
        [("curve_pm", "current_sensor = { input = 4, amps_per_volt = 100 }\ncurve_pm")],
        "rig.toml: side[1].current_sensor.zero_v is missing: add it, such as `zero_v = 0`",
    ),
    "sensor against an input that is not the fourth": (
        [("curve_pm", f"current_sensor = {SENSOR_OF % (4, 8)}\ncurve_pm")],
        "rig.toml: side[1].current_sensor.reference_input is 8, and a difference is read against the fourth input of "
        "the same ADC, 4: put the sensor on one of the three before it and its reference there",
    ),
    "sensor's reference on a taken input": (
        [
            ("negative = { input = 3 }", "negative = { input = 4 }"),
            ("curve_pm", f"current_sensor = {SENSOR_OF % (3, 4)}\ncurve_pm"),
        ],
        "rig.toml: side[1].current_sensor.reference_input is 4, taken by side[1].negative: give each wire its own "
        "input",
    ),
    "sensor of too wide a range": (
        [("curve_pm", "current_sensor = { input = 4, amps_per_volt = 200, zero_v = 2.5 }\ncurve_pm")],
        "rig.toml: side[1].current_sensor.amps_per_volt times zero_v is 500 A, and the box has room for 320: use a "
        "sensor of smaller range",
    ),
    "current falls": (
        [("4.2, 11.6, 21,", "4.2, 21, 11.6,")],
        "rig.toml: side[1].current_a falls from 21 to 11.6 at its entry 4: measure it again",
    ),
    "current short": (
        [("[0.1, 4.2, ", "[")],
        "rig.toml: side[1].current_a has 9 entries: write a list of 11 numbers in 0..500 A",
    ),
    "policy that is none": (
        [('sense_policy = "cap"', 'sense_policy = "stop"')],
        'rig.toml: limits.sense_policy is "stop": write "cap" or "ease"',
    ),
    "number for a switch": (
        [("brake = false", "brake = 1")],
        "rig.toml: limits.brake is a number: write false or true",
    ),
    "supply on a board without": (
        [('"pico_w"', '"pico"'), ("tracks = 2", "tracks = 1"), ("# supply_min_v", "supply_min_v")],
        "rig.toml: limits.supply_min_v is 4.7, and board pico cannot sense the supply: leave it out or use "
        "another board",
    ),
    "fade upside down": (
        [("# wheel_mm", "wheel_mm"), ("# fade_from_km_h = 40", "fade_from_km_h = 50"), ("# fade_to", "fade_to")],
        "rig.toml: limits.fade_to_km_h is 50, not above fade_from_km_h = 50: raise it",
    ),
    "half a fade": (
        [("# wheel_mm", "wheel_mm"), ("# fade_from_km_h", "fade_from_km_h")],
        "rig.toml: limits.fade_to_km_h is missing beside fade_from_km_h: give both speeds, or none for no fade",
    ),
    "fade without a wheel sensor": (
        [("# fade_from_km_h", "fade_from_km_h"), ("# fade_to", "fade_to")],
        "rig.toml: limits.wheel_mm is missing, and the fade needs speed: give the way of the wheel for one pulse",
    ),
    "fade beyond all speeds": (
        [("# fade_from_km_h = 40", "fade_from_km_h = 151")],
        "rig.toml: limits.fade_from_km_h is 151: write a number in 0..150 km/h",
    ),
    "resolution too coarse": (
        [("upper_kohm = 150, lower_kohm = 10", "upper_kohm = 10000, lower_kohm = 10")],
        "rig.toml: the sense point of left at 10 cells: its divider does not fit the box: 125125000 is outside "
        "10000..8000000 nV",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_a_bad_sheet_is_one_sentence(case):
    pairs, expected = BAD[case]
    assert sentence(changed(*pairs)) == expected


def test_a_sentence_has_no_line_break_and_ends_what_to_do():
    for pairs, expected in BAD.values():
        said = sentence(changed(*pairs))
        assert "\n" not in said and re.match(r"rig\.toml: \S", said), expected


def test_not_toml_not_text_not_there(tmp_path):
    assert sentence("name = \n").startswith("rig.toml: is not TOML as it stands: invalid value (at line 1")
    with pytest.raises(UserError, match="is not text in UTF-8"):
        read(b"\xff\xfe")
    with pytest.raises(UserError, match=r"there is no such file; `barbox new .*none\.toml` writes"):
        load(tmp_path / "none.toml")
    with pytest.raises(UserError, match="cannot be read"):
        load(tmp_path)


def test_a_tap_inside_a_pack_is_allowed():
    rig = read(changed(("{ cells = 5, input = 1", "{ cells = 4, input = 1")).encode())
    assert rig.sides[0].section_cells == (4, 6)


def test_switches_and_policy_are_words_in_the_sheet():
    sheet = changed(
        ("# rest_switch", "rest_switch"),
        ('sense_policy = "cap"', 'sense_policy = "ease"'),
        ("together = true", "together = false"),
        ("brake = false", "brake = true"),
        ("# supply_min_v", "supply_min_v"),
        ("# wheel_mm", "wheel_mm"),
        ("# fade_from", "fade_from"),
        ("# fade_to", "fade_to"),
    )
    values = read(sheet.encode()).settings()
    names = ("lever_switch", "sense_policy", "together", "brake", "supply_min_mv", "wheel_mm")
    assert [values.get(n) for n in names] == [1, 1, 0, 1, 4700, 1590]
    assert (values.get("fade_from_dmh"), values.get("fade_to_dmh")) == (400, 500)


def test_a_sheet_that_is_silent_has_the_defaults_of_the_switches():
    sheet = changed(('sense_policy = "cap"', ""), ("together = true", ""), ("brake = false", ""))
    values, defaults = read(sheet.encode()).settings(), Values()
    for name in ("lever_switch", "sense_policy", "together", "brake", "supply_min_mv", "wheel_mm", "fade_to_dmh"):
        assert values.get(name) == defaults.get(name)
