"""The control step as a whole: curves, late steps, warnings and what eases."""

import random

from desk import POINTS, Desk, give_mv, lever_mv, rig_values

from shared_proto.messages import NOT_KNOWN_MV
from shared_proto.settings import CURRENT, NEGATIVE
from shared_proto.states import (
    CAUSE_LATE,
    DRIVING,
    EVENT_LIMIT,
    EVENT_OVERRUN,
    EVENT_SENSE,
    EVENT_WARNING_OFF,
    EVENT_WARNING_ON,
    HELD,
    LIMIT_ARMING,
    LIMIT_NONE,
    LIMIT_SENSE,
    LIMIT_SIDE,
    SENSE_OPEN,
    WAIT_PACK_HIGH,
    WARN_ADC,
    WARN_CUTBACK,
    WARN_LATE,
    WARN_LOW,
    WARN_OVER_VOLTAGE,
    WARN_SENSE,
    WARN_SIDE,
    WARN_UNCALIBRATED,
    WARN_UNPROVEN,
    WARN_VERY_LOW,
)

HOLD_MS, ESC_IDLE_MS = 500, 1000


def bit(warning):
    return warning.bit_length() - 1


def driving(**plain):
    desk = Desk(rig_values(arm_hold_ms=HOLD_MS, esc_idle_ms=ESC_IDLE_MS, **plain))
    desk.arm()
    desk.lever_pm = 1000
    desk.run_s(3)
    assert desk.state == DRIVING
    return desk


def told(desk, event, *of):
    return [e for e in desk.events if e[1] == event and (not of or e[2:] == of)]


def test_demand_full_gives_full_pulses_on_both_sides():
    desk = driving()
    assert (desk.demand_pm, desk.pulses) == (1000, [2000, 2000])
    desk.lever_pm = 0
    desk.run_s(0.32)
    assert (desk.demand_pm, desk.pulses) == (0, [1000, 1000])


def test_each_side_has_its_own_curve():
    values = rig_values(arm_hold_ms=HOLD_MS, esc_idle_ms=ESC_IDLE_MS)
    values.put("side.curve", (0, 316, 447, 548, 632, 707, 775, 837, 894, 949, 1000), 1)
    values.put("side.idle_us", 1100, 0)
    values.put("side.full_us", 1900, 0)
    desk = Desk(values)
    desk.arm()
    assert desk.pulses == [1100, 1000]
    desk.lever_pm = 1000
    desk.run_s(1)
    assert abs(desk.demand_pm - 500) <= 10
    assert abs(desk.pulses[0] - 1500) <= 10 and abs(desk.pulses[1] - 1707) <= 10
    desk.run_s(2)
    assert desk.pulses == [1900, 2000]


def test_a_long_gap_is_an_overrun_and_the_ramp_does_not_jump():
    desk = Desk(rig_values(arm_hold_ms=HOLD_MS, esc_idle_ms=ESC_IDLE_MS))
    desk.arm()
    desk.lever_pm = 1000
    desk.step(5)
    before = desk.demand_pm
    desk.step(1, dt_us=900_000)
    assert desk.demand_pm <= before + 51  # counted as 100 ms
    assert desk.controller.overruns == 44
    assert told(desk, EVENT_OVERRUN, 900, 44)
    assert desk.controller.outputs.warnings & WARN_LATE
    assert (desk.state, desk.controller.interlock.cause) == (HELD, CAUSE_LATE)


def test_a_late_step_now_and_then_is_shown_and_goes():
    desk = driving()
    for _ in range(20):
        desk.step(1, dt_us=45_000)
        desk.step(1, dt_us=15_000)
        desk.step(4)
    assert desk.state == DRIVING
    assert desk.controller.overruns == 20
    assert desk.controller.outputs.warnings & WARN_LATE
    desk.run_s(10.1)
    assert not desk.controller.outputs.warnings & WARN_LATE


def test_a_step_that_always_comes_late_is_held():
    desk = driving()
    desk.step(13, dt_us=41_000)
    assert (desk.state, desk.controller.interlock.cause) == (HELD, CAUSE_LATE)
    assert desk.pulses == [1000, 1000]


def test_frames_that_are_lost_little_by_little_are_counted():
    """A step every 30 ms leaves out each third frame, though no gap has a whole frame in it."""
    desk = driving()
    desk.step(40, dt_us=30_000)
    assert desk.controller.overruns == 20
    assert desk.controller.outputs.warnings & WARN_LATE and told(desk, EVENT_OVERRUN, 30, 20)
    desk.step(60, dt_us=30_000)
    assert (desk.state, desk.controller.interlock.cause) == (HELD, CAUSE_LATE)  # two in three are too few


def test_a_late_step_that_is_caught_up_is_no_overrun():
    desk = driving()
    for late_us in (1_000, 9_000, 19_000) * 20:
        desk.step(1, dt_us=20_000 + late_us)
        desk.step(1, dt_us=20_000 - late_us)
    assert (desk.controller.overruns, desk.state) == (0, DRIVING)


def test_time_is_measured_time_to_the_millisecond():
    desk = Desk()
    for dt_us in (20_001, 19_333, 31_417, 8_250) * 250:
        desk.step(1, dt_us)
    assert desk.controller.now_ms == 250 * (20_001 + 19_333 + 31_417 + 8_250) // 1000


def test_the_wrap_of_the_clock_changes_nothing():
    desk = driving()
    desk.controller.now_ms = (1 << 30) - 50
    desk.run_s(1)
    assert desk.controller.now_ms == 950 and desk.demand_pm == 1000


def test_warnings_come_by_stage_and_go_with_hysteresis():
    desk = driving()
    assert desk.controller.outputs.warnings == 0
    # The voltage at rest, as the estimators tell it; a warning goes 40 mV above where it came.
    both = WARN_LOW | WARN_VERY_LOW
    for rest_mv, bits in (
        (3730, 0), (3719, WARN_LOW), (3669, both), (3700, both), (3711, WARN_LOW), (3755, WARN_LOW),
        (3761, 0), (3725, 0),
    ):  # fmt: skip
        desk.cell_mv[1] = 3600  # under load, and the weaker string
        desk.controller.rest_cell_mv = rest_mv
        desk.run_s(5)
        assert desk.controller.outputs.warnings == bits
    assert len(told(desk, EVENT_WARNING_ON, bit(WARN_LOW), 5)) == 1  # input 5, the weaker string's lower section
    assert [e[2] for e in told(desk, EVENT_WARNING_OFF)] == [bit(WARN_VERY_LOW), bit(WARN_LOW)]


def test_a_voltage_at_rest_that_is_not_known_ends_no_warning():
    """After a reset or new settings nobody knows it for a moment; the packs are as empty as before."""
    desk = driving()
    desk.controller.rest_cell_mv = 3600
    desk.run_s(1)
    both = WARN_LOW | WARN_VERY_LOW
    assert desk.controller.outputs.warnings == both
    desk.controller.rest_cell_mv = NOT_KNOWN_MV
    desk.run_s(5)
    assert desk.controller.outputs.warnings == both
    desk.controller.rest_cell_mv = 3800
    desk.run_s(1)
    assert desk.controller.outputs.warnings == 0


def test_a_section_near_cutback_is_low_whatever_it_would_be_at_rest():
    desk = driving()
    desk.controller.rest_cell_mv = 3800
    desk.cell_mv[1] = 3475  # 3455 after the allowance, and cutback begins at 3400
    desk.run_s(10)
    assert desk.controller.outputs.warnings == 0
    desk.cell_mv[1] = 3465
    desk.run_s(15)
    assert desk.controller.outputs.warnings == WARN_LOW


def test_deep_cutback_is_very_low_whatever_the_estimate_says():
    desk = driving()
    desk.controller.rest_cell_mv = 3800
    desk.cell_mv[1] = 3370  # 3350 after the allowance: half a band below where cutback begins
    desk.run_s(0.5)
    assert desk.controller.limits.cutback_pm > 600
    assert not desk.controller.outputs.warnings & WARN_VERY_LOW
    desk.run_s(1.5)
    assert desk.controller.limits.cutback_pm < 600
    assert desk.controller.outputs.warnings & WARN_VERY_LOW


def test_a_short_sag_does_not_warn():
    desk = driving()
    desk.cell_mv[0] = 3500
    desk.run_s(0.2)
    desk.cell_mv[0] = 3900
    desk.run_s(2)
    assert not told(desk, EVENT_WARNING_ON, bit(WARN_LOW), 1)


def test_a_blown_fuse_is_sense_and_never_low():
    desk = driving()
    desk.step = lambda count=1, dt_us=20000: cut_steps(desk, count, dt_us)
    desk.run_s(10)
    assert desk.controller.outputs.warnings == WARN_SENSE
    assert told(desk, EVENT_SENSE, 2, SENSE_OPEN)
    assert desk.controller.outputs.limit_pm == 300 and desk.demand_pm == 300
    assert desk.controller.strings.section_mv[1] == NOT_KNOWN_MV


def test_a_top_wire_that_comes_back_is_no_string_that_rises():
    """Neither while it is lost nor when it is believed again does its side pass for one that draws no current."""
    desk = Desk(rig_values(arm_hold_ms=HOLD_MS, esc_idle_ms=ESC_IDLE_MS))
    desk.arm()
    desk.run_s(2)  # at rest for long enough to know the string
    desk.lever_pm = 600
    desk.run_s(2)
    desk.cell_mv = [3750, 3750]
    desk.run_s(2)
    whole = desk.step
    for demand_pm in (600, 300):  # lost twice in a minute, the point is not believed again under thrust
        desk.step = lambda count=1, dt_us=20000: cut_steps(desk, count, dt_us)
        desk.run_s(3)
        desk.step = whole
        desk.run_s(3)
        assert desk.state == DRIVING and abs(desk.demand_pm - demand_pm) < 20
    assert not told(desk, EVENT_WARNING_ON, bit(WARN_SIDE), 0)


def cut_steps(desk, count, dt_us):
    for _ in range(count):
        for n, side, cells in POINTS:
            give_mv(desk.inputs, n, 0 if n == 1 else desk.cell_mv[side - 1] * cells)
        lever_mv(desk.inputs, desk.lever_pm)
        desk.controller.step(dt_us)
        while (event := desk.controller.events.take()) is not None:
            desk.events.append(event)


def test_a_weak_section_eases_both_sides_together():
    desk = driving()
    desk.cell_mv[1] = 3350  # 3330 after the allowance: 70 mV below the knee
    desk.run_s(0.5)
    assert desk.controller.outputs.warnings & WARN_CUTBACK
    assert 0 < desk.demand_pm < 1000
    assert desk.pulses[0] == desk.pulses[1] < 2000


def test_a_wire_to_a_packs_negative_and_a_current_sensor_need_no_calibration():
    """No meter calibrates them: the warning would never go."""
    values = rig_values(proven=True)
    for n, kind in ((2, NEGATIVE), (6, CURRENT)):
        for name, value in (("side", 1), ("cells", 0), ("kind", kind), ("calibrated", 0)):
            values.put("sense." + name, value, n)
    desk = Desk(values)
    desk.step(10)
    assert not desk.controller.outputs.warnings & WARN_UNCALIBRATED


def test_what_is_said_of_a_box_that_nobody_calibrated_or_benched():
    values = rig_values(proven=False)
    values.put("sense.calibrated", 0, 5)
    desk = Desk(values)
    desk.step(10)
    assert desk.controller.outputs.warnings == WARN_UNCALIBRATED | WARN_UNPROVEN
    assert desk.controller.outputs.limit == LIMIT_ARMING
    desk.arm()
    desk.lever_pm = 1000
    desk.run_s(4)
    assert desk.demand_pm == 300


def test_a_full_pack_is_fine_and_too_full_a_pack_is_told():
    for cell_mv, bits in ((4200, 0), (4300, WARN_OVER_VOLTAGE)):
        desk = Desk(cell_mv=cell_mv)
        desk.step(10)
        assert desk.controller.outputs.warnings == bits


def test_noise_makes_no_over_voltage_and_a_pack_too_full_stays_told():
    """Full packs, 30 mV a cell of noise in each section (0.15 V over five cells): an hour without a word. A pack
    that is told must fall by more than it reads wrong."""
    rng = random.Random(1)
    desk = Desk()
    for _ in range(3600 * 50 // 4):
        desk.cell_mv = [4200 + round(rng.gauss(0, 30)) for _ in range(2)]
        desk.step(dt_us=80000)
        assert not desk.controller.outputs.warnings & WARN_OVER_VOLTAGE
    for cell_mv, bits in ((4300, WARN_OVER_VOLTAGE), (4245, WARN_OVER_VOLTAGE), (4235, 0), (4255, 0)):
        desk.cell_mv = [cell_mv, 4200]
        desk.run_s(20)
        assert desk.controller.outputs.warnings & WARN_OVER_VOLTAGE == bits
        assert (desk.waits == WAIT_PACK_HIGH) == bool(bits)


def test_a_limit_that_comes_and_goes_fills_no_log_and_hides_no_other():
    """One that is in force in every other step is told once in two seconds at the most, and so is its end. Another
    one is told in the step in which it comes."""
    desk = driving(sense_cap_pm=300)
    desk.lever_pm = 326  # of the lever's travel, a little above the cap
    desk.run_s(3)
    desk.events.clear()
    conditions = desk.controller.limits.conditions
    for n in range(500):
        conditions.sense_lost = n % 2 == 0
        if n == 400:
            desk.controller.balance.side_idle = 0
        desk.step()
    limits = [e[2] for e in told(desk, EVENT_LIMIT)]
    assert 4 <= limits.count(LIMIT_SENSE) <= 5 and 4 <= limits.count(LIMIT_NONE) <= 5
    assert [e[0] for e in told(desk, EVENT_LIMIT) if e[2] == LIMIT_SIDE] == [desk.controller.now_ms - 99 * 20]


def test_a_silent_adc_has_its_own_warning():
    desk = driving()
    for _ in range(20):
        lever_mv(desk.inputs, 1000)
        desk.controller.step(20000)
    assert desk.controller.outputs.warnings & WARN_ADC and desk.controller.outputs.warnings & WARN_SENSE


def test_settings_are_taken_over_while_locked():
    desk = Desk()
    desk.step(10)
    values = rig_values(arm_hold_ms=HOLD_MS, esc_idle_ms=ESC_IDLE_MS)
    values.put("side.idle_us", 1050, 0)
    desk.controller.configure(values)
    desk.step(3)
    assert desk.controller.is_locked() and desk.pulses == [1050, 1000]


def test_a_supply_that_dips_for_two_steps_is_no_news_and_for_three_it_is():
    values = rig_values(supply_min_mv=4500)
    desk = Desk(values)
    desk.inputs.supply_mv = 5000
    desk.arm()
    desk.lever_pm = 1000
    desk.run_s(4)
    assert desk.demand_pm == 1000
    for steps, eased in ((2, False), (3, True)):
        desk.inputs.supply_mv = 4400
        desk.step(steps)
        assert (desk.demand_pm < 1000) == eased
        desk.inputs.supply_mv = 5000
        desk.step(5)


def test_a_lever_in_doubt_is_no_reason_to_go_on_up_the_ramp():
    desk = Desk()
    desk.arm()
    desk.lever_pm = 1000
    desk.run_s(0.5)
    before_pm = desk.demand_pm
    assert 200 < before_pm < 300
    desk.lever_pm = 1300  # out of its window for one step
    desk.step()
    assert desk.demand_pm == before_pm and desk.state == DRIVING
    desk.lever_pm = 1000
    desk.step()
    assert desk.demand_pm > before_pm
