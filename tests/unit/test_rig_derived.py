"""What derives from a rig: settings, dividers and their uncertainty, the plant, new sheets."""

import importlib
from dataclasses import replace
from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from barbox.errors import UserError
from barbox.rig import SensePoint, read
from barbox.rig.boards import BOARDS
from barbox.rig.dividers import E12, nominal_uncertainty_v, nv_per_count, suggest_upper_kohm
from barbox.rig.keys import KEYS, LEARNED_SENSE
from barbox.rig.template import example_text, new_text
from barbox.rig.to_settings import settings_over
from barbox.sim.plant import Plant
from shared_proto.settings import BOX, ROWS, SETTINGS, Values, conflict

EXAMPLE = example_text()
RIG = read(EXAMPLE.encode(), "rig.toml")
PICO_W, PICO = BOARDS["pico_w"], BOARDS["pico"]


def test_every_setting_comes_from_somewhere():
    """A new row of the settings table must find its place in a sheet, or be named here."""
    by_key = {k.row for k in KEYS}
    derived = {"rig", "rig_crc", "sides"} | set(LEARNED_SENSE) | {"sense.side", "sense.cells"}
    derived |= {"side.name", "side.cells", "side.idle_us", "side.full_us", "side.curve", "side.proven"}
    derived |= {"side.capacity_mah", "side.current_da", "sense.kind"}
    derived |= {"sense.nominal_nv"} | {name for name, row in ROWS.items() if SETTINGS[row].danger == BOX}
    derived |= {"reference_ppm", "side.negative_uohm", "sense.against"}
    assert by_key | derived == set(ROWS)
    assert not by_key & derived


def test_settings_of_the_example():
    values = RIG.settings()
    assert conflict(values) == ""
    assert values.get("rig") == b"trike"
    assert values.get("rig_crc") == RIG.crc
    assert [values.get("sense.side", n) for n in range(8)] == [1, 1, 1, 0, 2, 2, 2, 0]
    assert [values.get("sense.kind", n) for n in range(8)] == [0, 0, 1, 0, 0, 0, 1, 0]
    assert [values.get("sense.cells", n) for n in range(8)] == [5, 10, 0, 0, 5, 10, 0, 0]
    # 125 uV a count at 4.096 V full scale (TI SBAS444D), times 1 + 68/10 and 1 + 150/10.
    assert values.get("sense.nv_per_count", 0) == 975_000
    assert values.get("sense.nv_per_count", 1) == 2_000_000
    assert values.get("sense.calibrated", 0) == 0
    assert values.get("side.proven", 1) == 0  # of a sheet, none is
    assert values.get("sense.nominal_nv", 1) == 2_000_000
    # The pack negative goes straight to the input: the ADC's own step, 125 uV (TI SBAS444D).
    assert values.get("sense.nv_per_count", 2) == 125_000
    assert values.get("side.capacity_mah", 0) == 10_000
    assert values.get("side.current_da", 1)[::5] == (1, 440, 1160)


@pytest.mark.parametrize("board", BOARDS)
def test_board_table_agrees_with_the_firmware(board):
    firmware = importlib.import_module(f"boards.{board}")
    inputs = 4 * len(firmware.I2C_PARTS) if firmware.SENSE == "i2c" else len(firmware.SENSE_PINS)
    assert (firmware.NAME, inputs, len(firmware.LEVER_PINS), firmware.SUPPLY_PIN is not None) == (
        board,
        BOARDS[board].inputs,
        BOARDS[board].lever_tracks,
        BOARDS[board].supply,
    )


@pytest.mark.parametrize("board", BOARDS)
def test_no_pin_of_a_board_is_used_twice(board):
    firmware = vars(importlib.import_module(f"boards.{board}"))
    singles = ("STOP", "ARM", "BRAKE", "REST", "WHEEL", "SOUNDER", "SUPPLY")
    pins = [firmware[f"{name}_PIN"] for name in singles if firmware[f"{name}_PIN"] is not None]
    pins += firmware["ESC_PINS"] + firmware["LEVER_PINS"] + firmware.get("SENSE_PINS", ())
    pins += [firmware[name] for name in ("I2C_SDA", "I2C_SCL", "DISPLAY_SDA", "DISPLAY_SCL") if name in firmware]
    assert len(pins) == len(set(pins))
    # RP2040: GPIO 0 to 29, of which 23 to 25 and 29 are taken on the board; ADC on 26 to 28 (data sheet).
    assert set(pins) <= set(range(23)) | {26, 27, 28}
    adc = [*firmware["LEVER_PINS"], *firmware.get("SENSE_PINS", ()), firmware["SUPPLY_PIN"] or 28]
    assert set(adc) <= {26, 27, 28}


def test_a_current_sensor_by_hand():
    sensor = "current_sensor = { input = 4, amps_per_volt = 100, zero_v = 1.65 }\ncurve_pm"
    values = read(EXAMPLE.replace("curve_pm", sensor, 1).encode()).settings()
    assert (values.get("sense.side", 3), values.get("sense.kind", 3), values.get("sense.cells", 3)) == (1, 2, 0)
    # 40 A raise the pin by 0.4 V: 1 mV for 10 mA is 4 V, and at rest 1.65 V at the pin must come to nothing.
    for current_a in (0, 40, 150):
        count = (1.65 + current_a / 100) / 125e-6
        mv = count * values.get("sense.nv_per_count", 3) / 1e6 + values.get("sense.offset_mv", 3)
        assert mv == pytest.approx(100 * current_a, abs=1)


def test_the_current_of_the_example_is_that_of_its_plant():
    rig = RIG
    side = rig.sides[0]
    assert side.current_a and side.curve_pm
    for tenth in (1, 5, 10):
        plant = Plant(rig.plant_spec())
        plant.set_charge(0, 0.55)
        plant.advance(2.5, [1000, 1000])
        plant.advance(3.0, [1000 + side.curve_pm[tenth], 1000])
        assert side.current_a[tenth] == pytest.approx(plant.current_a(0), rel=0.02)


def test_uncertainty_against_the_gum_by_hand():
    # JCGM 100:2008, 4.3.7: a limit of error a has the standard uncertainty a / sqrt(3); 5.1.2: root sum square.
    # 42 V over 150k and 10k of 1 %: each resistor reaches the ratio by 15/16.
    resistor = 42 * 15 / 16 * 0.01
    others = (42 * 0.0025, 42 * 9375 / 6e6, 16 * 0.0005)
    by_hand = 2 * sqrt((2 * resistor**2 + sum(o * o for o in others)) / 3)
    assert nominal_uncertainty_v(SensePoint(10, 1, 150, 10), PICO_W, 42) == pytest.approx(by_hand, rel=1e-9)
    assert RIG.settings().get("sense.uncertainty_mv", 1) == round(1000 * by_hand)


@given(st.floats(5, 50), st.floats(0.1, 5), st.floats(1.01, 3))
def test_uncertainty_grows_with_voltage_and_tolerance(volts, tolerance, factor):
    point = SensePoint(10, 1, 150, 10, tolerance)
    base = nominal_uncertainty_v(point, PICO_W, volts)
    assert nominal_uncertainty_v(point, PICO_W, volts * factor) > base
    assert nominal_uncertainty_v(replace(point, tolerance_percent=tolerance * factor), PICO_W, volts) > base
    assert nominal_uncertainty_v(point, PICO, volts) > base


def test_e12_is_the_published_series():
    # IEC 60063, E12.
    assert E12 == (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)


@given(st.floats(1.01, 400), st.sampled_from([1.0, 2.2, 4.7, 10.0]))
def test_a_suggested_divider_is_enough_and_not_much_more(ratio, lower):
    upper = suggest_upper_kohm(ratio, lower)
    assert 1 + upper / lower >= ratio * (1 - 1e-6)
    assert upper <= (ratio - 1) * lower * 1.26  # the widest step of E12 is 8.2 to 10 and 1.2 to 1.5


def test_codes_at_full_charge_stay_in_range():
    for side in RIG.sides:
        for point in side.sense:
            code = point.cells * 4.2 * 1e9 / nv_per_count(point, PICO_W)
            assert code < 0x7FFF


def test_the_plant_of_the_example():
    spec = RIG.plant_spec()
    side = spec.sides[0]
    assert [(s.cells, s.capacity_ah) for s in side.sections] == [(5, 10.0), (5, 10.0)]
    assert side.fan.rated_v == pytest.approx(37.0)
    assert side.esc.hold_s == 0.25  # not measured: the plant's own
    # IEC 60028: 0.017241 ohm mm2/m; 1 m of 16 mm2 is 1.08 milliohm, and contacts 0.5.
    assert side.lead_neg_mohm == pytest.approx(1.0776 + 0.5, abs=1e-3)
    assert side.lead_pos_mohm > side.lead_neg_mohm
    assert spec.vehicle.mass_kg == 120


def test_a_section_over_two_packs_is_as_small_as_the_smaller():
    text = EXAMPLE.replace("{ cells = 5, input = 1, upper_kohm = 68, lower_kohm = 10 },", "", 1)
    text = text.replace("capacity_ah = 10.0", "capacity_ah = 8", 1)
    (section,) = read(text.encode()).plant_spec().sides[0].sections
    assert (section.cells, section.capacity_ah) == (10, 8)
    # 375 mV at the rated current: 375 / (25 * 8) and 375 / (25 * 10) milliohm a cell.
    assert section.resistance_mohm_per_cell == pytest.approx((1.875 + 1.5) / 2)


def test_a_fan_that_cannot_be_is_a_sentence():
    text = EXAMPLE.replace("full_power_w = 4000", "full_power_w = 900", 1)
    with pytest.raises(UserError, match="even an ideal duct needs"):
        read(text.encode(), "rig.toml").plant_spec()


NEW = [
    (board, "abcd"[:sides], cells)
    for board in BOARDS.values()
    for sides in range(1, min(board.inputs, 4) + 1)
    for cells in (1, 2, 5, 7, 10, 12, 14)
]


@pytest.mark.parametrize(("board", "names", "cells"), NEW, ids=lambda v: getattr(v, "name", str(v)))
def test_a_new_sheet_loads_and_claims_no_proof(board, names, cells):
    sides = list(names)
    rig = read(new_text("mine", sides, cells, board).encode())
    assert [s.name for s in rig.sides] == sides
    assert all(s.cells == cells and s.proof is None and s.curve_pm is None for s in rig.sides)
    assert rig.settings().get("side.proven") == 0
    assert rig.plant_spec().sides[0].sections
    assert all(s.current_a is None for s in rig.sides)
    free = board.inputs // len(sides) - len(rig.sides[0].sense)
    assert all((s.negative is not None) == (board.below_ground and free > 0) for s in rig.sides)


# What a box has learned stays.


def calibrated_box():
    box = RIG.settings()
    for name, value in zip(LEARNED_SENSE, (2_020_000, -35, 1, 30), strict=True):
        box.put(name, value, 1)
    box.put("lever_a_rest_mv", 601)
    return box


def test_calibration_and_lever_of_the_same_rig_stay():
    values, kept = settings_over(RIG, calibrated_box())
    assert values.get("sense.nv_per_count", 1) == 2_020_000
    assert values.get("sense.offset_mv", 1) == -35
    assert values.get("lever_a_rest_mv") == 601
    assert kept == ["the lever's end points, as learned", "the calibration of input 2 (left, 10 cells)"]


def test_calibration_of_another_divider_place_or_rig_goes():
    box = calibrated_box()
    box.put("sense.nv_per_count", 2_200_000, 1)
    assert settings_over(RIG, box)[0].get("sense.nv_per_count", 1) == 2_000_000
    box = calibrated_box()
    box.put("sense.cells", 9, 1)
    assert settings_over(RIG, box)[0].get("sense.calibrated", 1) == 0
    box = calibrated_box()
    box.put("rig", b"other")
    values, kept = settings_over(RIG, box)
    assert kept == []
    assert values.to_blob() == RIG.settings().to_blob()


def test_a_stated_lever_wins_and_a_proof_is_never_kept():
    ends = "tracks = 2\na_rest_mv = 500\na_full_mv = 2700\nb_rest_mv = 250\nb_full_mv = 1350"
    text = EXAMPLE.replace("tracks = 2", ends, 1)
    values, _ = settings_over(read(text.encode()), calibrated_box())
    assert values.get("lever_a_rest_mv") == 500
    assert values.get("side.proven", 0) == 0


def test_a_measured_curve_stays_where_the_sheet_is_silent():
    text = EXAMPLE.replace("curve_pm = [", "# curve_pm = [")
    box = RIG.settings()
    measured = (0, 300, 400, 500, 600, 700, 800, 850, 900, 950, 1000)
    box.put("side.curve", measured, 1)
    values, kept = settings_over(read(text.encode()), box)
    assert values.get("side.curve", 1) == measured
    assert "the curve of right, which the sheet does not state" in kept
    assert values.get("side.curve", 0) == RIG.settings().get("side.curve", 0)


def test_a_measured_current_stays_where_the_sheet_is_silent():
    text = EXAMPLE.replace("current_a = [", "# current_a = [")
    box = RIG.settings()
    measured = (1, 45, 120, 220, 330, 450, 590, 730, 870, 1010, 1170)
    box.put("side.current_da", measured, 0)
    values, kept = settings_over(read(text.encode()), box)
    assert values.get("side.current_da", 0) == measured
    assert "the measured current of left, which the sheet does not state" in kept
    assert settings_over(RIG, box)[0].get("side.current_da", 0) == RIG.settings().get("side.current_da", 0)


def test_the_calibration_of_a_pack_negative_stays_but_not_for_another_kind():
    box = RIG.settings()
    box.put("sense.offset_mv", 3, 2)
    box.put("sense.calibrated", 1, 2)
    values, kept = settings_over(RIG, box)
    assert (values.get("sense.offset_mv", 2), kept) == (3, ["the calibration of input 3 (left, pack negative)"])
    box.put("sense.kind", 2, 2)
    assert settings_over(RIG, box)[0].get("sense.calibrated", 2) == 0


def test_a_box_of_defaults_gets_the_sheet():
    values, kept = settings_over(RIG, Values())
    assert (values.to_blob(), kept) == (RIG.settings().to_blob(), [])
    assert len(values.to_blob()) == sum(len(s.pack(v)) for s, r in zip(SETTINGS, values.rows, strict=True) for v in r)
