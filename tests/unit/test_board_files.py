"""The board files against the RP2040 and the parts on its pins."""

import pytest

from barbox.sim.firmware import board_pins
from shared_proto.messages import SENSES_MAX, SIDES_MAX
from shared_proto.settings import ROWS, SETTINGS

BOARDS = ["pico_w", "pico"]

# Raspberry Pi's SDK for the RP2040, hardware/adc.h: external inputs on GPIO 26 to 29.
ADC_PINS = range(26, 30)
# hardware/watchdog.h: a delay of at most about 8.3 s, 0xFFFFFF half microseconds (erratum RP2040-E1).
WATCHDOG_MOST_MS = 8388
# RP2040 data sheet, function table of the pins (from memory): I2C0 data on 0, 4, 8 and so on, I2C1 data on 2, 6 and
# so on, the clock on the pin above.
I2C_DATA_PINS = {0: range(0, 29, 4), 1: range(2, 29, 4)}
# Boards of this shape lead out GPIO 0 to 22 and 26 to 28 (from memory).
LED_OUT = {*range(23), *range(26, 29)}
# ADS1115, TI SBAS444: addresses by what its ADDR pin is joined to (from memory).
ADC_PART_ADDRESSES = {0x48, 0x49, 0x4A, 0x4B}


def pins_of(board):
    """Each pin of the board file with the name it has there."""
    found = []
    for name, value in vars(board).items():
        if value is None or not (name.endswith(("_PIN", "_PINS", "_SDA", "_SCL"))):
            continue
        found += [(pin, name) for pin in (value if isinstance(value, tuple) else (value,))]
    return found


@pytest.mark.parametrize("name", BOARDS)
def test_no_pin_is_used_twice_and_each_is_led_out(name):
    pins = [pin for pin, _ in pins_of(board_pins(name))]
    assert len(pins) >= 12
    assert len(pins) == len(set(pins))
    assert set(pins) <= LED_OUT


@pytest.mark.parametrize("name", BOARDS)
def test_analogue_inputs_are_on_adc_pins(name):
    board = board_pins(name)
    analogue = [*board.LEVER_PINS, *(getattr(board, "SENSE_PINS", ()))]
    if board.SUPPLY_PIN is not None:
        analogue.append(board.SUPPLY_PIN)
    assert set(analogue) <= set(ADC_PINS)
    assert len(analogue) == 3  # and 29 measures the board's own supply


@pytest.mark.parametrize("name", BOARDS)
def test_the_buses_are_on_their_pins(name):
    board = board_pins(name)
    buses = [(board.DISPLAY_I2C_ID, board.DISPLAY_SDA, board.DISPLAY_SCL)]
    if board.SENSE == "i2c":
        buses.append((board.I2C_ID, board.I2C_SDA, board.I2C_SCL))
        assert board.I2C_ID != board.DISPLAY_I2C_ID
        assert set(board.I2C_PARTS) <= ADC_PART_ADDRESSES
        assert len(set(board.I2C_PARTS)) * 4 == SENSES_MAX
        assert board.I2C_HZ <= 400_000  # fast mode of the part
    for bus, sda, scl in buses:
        assert sda in I2C_DATA_PINS[bus] and scl == sda + 1


@pytest.mark.parametrize("name", BOARDS)
def test_there_is_an_output_for_each_side_that_a_rig_may_have(name):
    assert len(board_pins(name).ESC_PINS) == SIDES_MAX


def test_the_watchdog_setting_is_within_what_the_chip_can_do():
    row = SETTINGS[ROWS["watchdog_ms"]]
    assert 0 < row.low <= row.default <= row.high <= WATCHDOG_MOST_MS


def test_the_adc_is_asked_for_what_the_driver_says():
    """Bits of the configuration register by the part's data sheet, TI SBAS444."""
    from drivers import adc_i2c

    config = adc_i2c._READY | adc_i2c._CONFIG | (adc_i2c._SINGLE_ENDED + 2) << 12
    assert config >> 15 == 1  # start
    assert config >> 12 & 7 == 0b110  # input 2 against ground
    assert 0 + adc_i2c._AGAINST_FOURTH == 0b001  # input 0 against input 3
    assert 2 + adc_i2c._AGAINST_FOURTH == 0b011  # input 2 against input 3
    assert config >> 9 & 7 == 0b001  # full scale 4.096 V, 125 uV a count
    assert config >> 8 & 1 == 1  # single shot
    assert config >> 5 & 7 == 0b101  # 250 a second
    assert config & 3 == 0b11  # comparator off
    assert (adc_i2c._REG_RESULT, adc_i2c._REG_CONFIG) == (0, 1)
    # Ready in time: its rate may be 10 % low, and the step comes every 20 ms.
    assert 1.1 * 1_000_000 / 250 < 20_000
