"""ADC drivers against the register-level parts of the simulated board: a reading is of the input asked for, or none."""

from math import log2, sqrt
from statistics import fmean

import machine
import pytest
from adc_desk import SCL, SDA, AdcDesk, load_parts
from hypothesis import given, settings
from hypothesis import strategies as st

from core.inputs import Inputs
from drivers import adc_chip
from shared_proto.states import SENSE_PART, SENSE_SILENT

SILENT_STEPS = 8  # core/sense.py: then an input counts as silent
REPLACED, FROZEN, HELD, NEVER_READY = 3, 5, 8, 10  # bits of hal/_parts.py


def held(clocks, holds=1):
    return 1 << HELD | clocks << 32 | holds << 40


# -- the I2C part ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("used", [(0, 1, 2, 3, 4, 5, 6, 7), (0, 1, 4, 5), (2,), (3, 7), ()])
def test_round_robin_reads_each_input_in_turn(used):
    desk = AdcDesk(used)
    desk.step(2)  # the look at the parts, and the first question
    seen = desk.step(40)
    assert set(seen) == set(used)
    for n in used:
        turns = len([m for m in used if m // 4 == n // 4])
        assert seen.count(n) == 40 // turns
        assert desk.steps - desk.read_at[n] < turns  # the age of its latest reading, in steps
        assert desk.inputs.code[n] == desk.code_of(n)


def test_a_doubt_is_settled_first():
    desk = AdcDesk()
    desk.step(5)
    desk.inputs.again = 6
    desk.step()
    assert desk.inputs.again == -1
    assert 6 in desk.step()


def test_an_input_against_the_fourth_is_their_difference():
    desk = AdcDesk(used=(0, 2, 4), against=(2,))
    desk.set_uv(3, 1_650_000)
    for uv in (1_650_000, 1_900_000, 1_400_000):
        desk.set_uv(2, uv)
        desk.step(6)
        assert desk.inputs.code[2] == (uv - 1_650_000) // 125  # TI SBAS444D: 125 uV a count, two's complement
        assert desk.inputs.code[0] == desk.code_of(0)


def test_a_little_below_ground_reads_negative():
    desk = AdcDesk()
    desk.set_uv(1, -200_000)
    desk.step(6)
    assert desk.inputs.code[1] == -1600


def test_a_conversion_that_is_not_over_is_not_taken():
    desk = AdcDesk(used=(0, 1))
    desk.step(4)
    desk.set_uv(0, 125 * 7000)
    # Steps that follow each other within a conversion of 4 ms: what is taken is nothing, or whole.
    for _ in range(20):
        desk.step(1, spacing_us=1500)
        assert desk.inputs.code[0] in (desk.code_of(0), 7000)
        assert desk.inputs.code[1] == desk.code_of(1)
    assert desk.inputs.code[0] == 7000


def test_conversions_that_never_end_are_no_readings_and_told_as_a_broken_part():
    desk = AdcDesk()
    desk.step(10)
    desk.wrong(1 << NEVER_READY)
    assert not {0, 1, 2, 3} & set(desk.step(SILENT_STEPS))
    assert set(desk.inputs.no_reading[:4]) == {SENSE_PART} and set(desk.inputs.no_reading[4:]) == {SENSE_SILENT}
    assert {4, 5, 6, 7} <= set(desk.step(4))
    desk.wrong(0)
    assert {0, 1, 2, 3} <= set(desk.step(20))


@pytest.mark.parametrize("number", [0, 1])
def test_another_part_at_the_address_is_never_read_and_told(number):
    desk = AdcDesk()
    desk.step(10)
    desk.wrong(1 << REPLACED + number)
    its = set(range(4 * number, 4 * number + 4))
    new = desk.step(60)
    assert not its & set(new) and set(range(8)) - its <= set(new)
    assert {desk.inputs.no_reading[n] for n in its} == {SENSE_PART}
    desk.wrong(0)
    assert its <= set(desk.step(20))


def test_another_part_from_power_on():
    desk = AdcDesk()
    desk.wrong(1 << REPLACED)
    assert not {0, 1, 2, 3} & set(desk.step(SILENT_STEPS))
    assert desk.inputs.no_reading[0] == SENSE_PART


def test_a_part_that_keeps_what_is_written_is_known_by_its_thresholds():
    class Memory:
        """Four registers of two bytes and nothing behind them."""

        def __init__(self):
            self.registers = [bytes(2)] * 4
            self.point = lambda register: setattr(self, "at", register)

        def write_register(self, data):
            self.registers[self.at] = bytes(data)

        def read_into(self, data):
            data[:] = self.registers[self.at]

    desk = AdcDesk()
    desk.parts._PARTS[0, 0x48] = Memory()
    assert not {0, 1, 2, 3} & set(desk.step(30))
    assert desk.inputs.no_reading[0] == SENSE_PART


def test_a_part_that_lost_its_supply_for_a_moment_goes_on_and_lends_no_reading():
    desk = AdcDesk()
    desk.step(10)
    for spacing in (1, 2, 3, 5, 7):
        desk.lose_power(0)
        codes = [desk.code_of(n) for n in range(8)]
        for _ in range(spacing + 6):
            desk.step()
            assert list(desk.inputs.code) == codes
        assert max(desk.steps - at for at in desk.read_at) < SILENT_STEPS


def test_a_part_that_is_gone_comes_back_and_costs_little_meanwhile():
    desk = AdcDesk()
    desk.step(10)
    desk.wrong(1)
    desk.step(2)
    before = desk.bus.transfers
    new = desk.step(22)
    assert desk.bus.transfers - before <= 22 * 3 + 3  # the other part's three a step, and a look now and then
    assert set(new) == {4, 5, 6, 7}
    assert desk.inputs.no_reading[0] == SENSE_SILENT
    desk.wrong(0)
    assert {0, 1, 2, 3} <= set(desk.step(16))


@pytest.mark.parametrize("error", [5, 110])
def test_one_failed_transfer_makes_no_input_silent(error):
    for at in range(12):  # whichever transfer it strikes
        desk = AdcDesk()
        desk.step(12)
        desk.bus.glitch = [None] * at + [error]
        oldest = 0
        for _ in range(12):
            desk.step()
            oldest = max(oldest, max(desk.steps - n for n in desk.read_at))
        assert oldest < SILENT_STEPS, at


@pytest.mark.parametrize("clocks", range(1, 10))
def test_a_bus_held_in_mid_byte_is_clocked_free_within_two_steps(clocks):
    desk = AdcDesk()
    desk.step(10)
    desk.wrong(held(clocks))
    desk.step(2)
    assert not desk.parts.held(0)
    assert (desk.bus.timeouts, desk.driver.recoveries, desk.bus.opened) == (1, 1, 2)
    assert set(desk.step(6)) == set(range(8))
    assert max(desk.steps - at for at in desk.read_at) < SILENT_STEPS


def test_a_bus_held_for_good_costs_one_time_out_and_is_tried_now_and_then():
    desk = AdcDesk()
    desk.step(10)
    desk.wrong(held(0))
    assert desk.step(1000) == []
    assert desk.bus.timeouts == 1
    assert 1000 // 12 <= desk.driver.recoveries <= 1000 // 10
    assert set(desk.inputs.no_reading) == {SENSE_SILENT}
    desk.wrong(0)
    assert set(desk.step(20)) == set(range(8))


def test_a_clock_line_held_low_is_not_taken_for_free():
    desk = AdcDesk()
    desk.step(10)
    machine.Pin.levels = {SDA: 0, SCL: 0}
    desk.bus.glitch = [5]
    desk.step(5)
    assert desk.bus.opened == 1 and desk.driver.recoveries == 1


FAULTS = st.sampled_from(
    [0, 1, 2, 3, 1 << 3, 1 << 4, 1 << 5, 1 << 8, 1 << 10, 3 << 10, 1 << 3 | 1 << 11, 9 << 32 | 1 << 8]
)


@settings(deadline=None)
@given(st.lists(st.tuples(FAULTS, st.integers(1, 25), st.sampled_from([3000, 20_000, 45_000])), max_size=12))
def test_no_sequence_of_faults_gives_an_input_the_reading_of_another(story):
    desk = AdcDesk()
    for holds, (word, steps, spacing_us) in enumerate(story, 1):
        desk.wrong(word | holds << 40)
        for _ in range(steps):
            before = desk.bus.timeouts
            desk.step(1, spacing_us)
            assert desk.bus.timeouts - before <= 1  # 3 ms at most
            for n in range(8):
                if not word & 1 << FROZEN:  # a part that lies about its results cannot be seen here
                    assert desk.inputs.code[n] in (0, desk.code_of(n))
        if word & 1 << FROZEN:
            desk.wrong(0)
            desk.step(30)
    desk.wrong(0)
    assert set(desk.step(25)) == set(range(8))


# -- the chip's own ------------------------------------------------------------------------------------------------

LSB_UV = 3_300_000 / 4096
WIDE_CODES = (512, 1536, 2560, 3584)  # RP2040 data sheet, erratum RP2040-E11


def widths(parts):
    """Width of each code of the model, in codes."""
    found = {}
    for at in range(4096 * 256):
        code = parts.wide_codes(at)
        found[code] = found.get(code, 0) + 1 / 256
    return found


def test_the_model_has_four_wide_codes_and_misses_none():
    parts, _ = load_parts()
    parts.configure(3)
    found = widths(parts)
    assert sorted(found) == list(range(4096))
    assert tuple(c for c, w in found.items() if w > 1.5) == WIDE_CODES
    # "Mostly flat" beside them (same erratum): within a tenth of a code.
    assert all(abs(w - 1) < 0.1 for c, w in found.items() if c not in WIDE_CODES)


def effective_bits(code_of):
    """By definition (IEEE 1241, from memory): 12 less the error's root mean square over that of an ideal converter."""
    errors = []
    for n in range(40_000):
        ideal = (n * 0.6180339887498949 % 1) * 4000 + 48
        errors.append(code_of(int(ideal * LSB_UV)) + 0.5 - ideal)
    mean = fmean(errors)
    return 12 - log2(sqrt(fmean([(e - mean) ** 2 for e in errors])) * sqrt(12))


def test_the_model_has_the_published_effective_bits():
    parts, _ = load_parts()
    for seed in (1, 3, 5):
        parts.configure(seed)
        # RP2040 data sheet and the SDK's hardware/adc.h: 8.7 effective bits.
        assert effective_bits(parts.chip_code) == pytest.approx(8.7, abs=0.2)


def mean_error(read, parts, at):
    """Mean error in codes of a reading of `at` codes from 0 V."""
    uv = round(at * LSB_UV)
    machine.ADC.code = staticmethod(lambda _: parts.chip_code(uv))
    return fmean([read() for _ in range(40)]) / 16 - at


def plain(adc):
    """What averaging alone would do."""
    return sum([adc.read_u16() >> 4 for _ in range(8)]) * 2 + 8


@pytest.mark.parametrize("seed", [1, 3, 5])  # 9.3, 10.0 and 10.8 codes wide
def test_wide_codes_do_not_bias_a_reading(seed):
    parts, _ = load_parts()
    parts.configure(seed)
    adc = machine.ADC(machine.Pin(26))

    def worst(read, beside, to):
        away = [beside + k * (to - beside) / 12 for k in range(13)]
        places = [c + 0.5 + sign * d for c in WIDE_CODES for sign in (-1, 1) for d in away]
        return max([abs(mean_error(lambda: read(adc), parts, at)) for at in places if 20 < at < 4076])

    # Beside them, where the characteristic leads and lags by half of the width: before and after.
    assert 4.0 < worst(plain, 5.6, 20) < 5.5
    assert worst(adc_chip._oversampled, 5.6, 20) < 0.75
    # Half-way to the next there is nothing to undo, and nothing is done.
    assert worst(adc_chip._oversampled, 500, 512) < 0.25
    # On one, the noise does not reach its edges: half the width less the noise is what remains.
    assert worst(adc_chip._oversampled, 0, 5.5) < 4.0


def test_straightened_codes_rise_and_span_the_range():
    codes = [adc_chip._straight(c) for c in range(4096) if c & 1023 != 512]
    assert all(b > a for a, b in zip(codes, codes[1:], strict=False))
    assert codes[0] == 8 and codes[-1] == pytest.approx(65536 - 8, abs=1)


def test_a_chip_input_without_a_pin_or_against_another_stays_silent():
    driver = adc_chip.ChipSense((26, 27))
    driver.use([True] * 8, [False, True] + [False] * 6)
    machine.ADC.code = staticmethod(lambda pin: 100 * pin)
    inputs = Inputs()
    for _ in range(3):
        driver.read(inputs)
    assert list(inputs.reading) == [3] + [0] * 7
    assert inputs.code[0] == adc_chip._straight(2600)
