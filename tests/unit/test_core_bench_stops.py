"""What ends a bench step, or the run: each at once, to idle pulses, and with its reason told."""

import pytest
from core_bench_desk import HOLD_LEVER, IDLE_US, REST_S, STEP_S, Bench

from shared_proto import messages as m
from shared_proto import states as s


def stop_by(desk, what):
    """What ends a step; returns (state, cause, end) that must follow."""
    inputs = desk.inputs
    if what == "stop":
        inputs.stop_closed = False
        return s.HELD, s.CAUSE_STOP_OPEN, s.ENDED_HELD
    if what == "trip":
        inputs.stop_tripped = True
        return s.HELD, s.CAUSE_STOP_OPEN, s.ENDED_HELD
    if what == "lever":
        desk.lever_pm = 1500
        return s.HELD, s.CAUSE_LEVER_RANGE, s.ENDED_HELD
    if what == "task":
        inputs.tasks_fresh = False
        return s.HELD, s.CAUSE_TASK_SILENT, s.ENDED_HELD
    if what == "silent host":
        desk.beating = False
        return s.HELD, s.CAUSE_BENCH_HOST, s.ENDED_HELD
    if what == "floor":
        desk.cell_mv = [3900, 3310]
        return s.BENCH, s.CAUSE_NONE, s.ENDED_FLOOR
    if what == "brake":
        inputs.brake = True
        return s.BENCH, s.CAUSE_NONE, s.ENDED_BRAKE
    if what == "supply":
        inputs.supply_mv = 4000
        return s.HELD, s.CAUSE_SUPPLY, s.ENDED_SUPPLY
    if what == "drop":
        desk.say(m.BENCH_DROP)
        return s.BENCH, s.CAUSE_NONE, s.ENDED_HOST
    assert what == "end"
    desk.say(m.BENCH_END)
    return s.LOCKED, s.CAUSE_NONE, s.ENDED_HOST


WAYS = ("stop", "trip", "lever", "task", "silent host", "floor", "brake", "supply", "drop", "end")


@pytest.mark.parametrize("phase", [s.BENCH_WAITING, s.BENCH_CONFIRM, s.BENCH_RUNNING, s.BENCH_WITHHELD])
@pytest.mark.parametrize("what", WAYS)
def test_every_way_to_end_a_step(what, phase):
    desk = Bench(brake=1, supply_min_mv=4500)
    desk.inputs.supply_mv = 5000
    desk.to(phase)
    state, cause, end = stop_by(desk, what)
    desk.step(1 if what in ("stop", "trip", "task", "brake", "drop", "end", "floor") else 4)
    if what == "silent host":
        desk.step(9)
    assert desk.pulses == [IDLE_US, IDLE_US]
    desk.step(3)
    assert (desk.state, desk.controller.interlock.cause, desk.bench.end) == (state, cause, end)
    desk.run_s(1)
    assert desk.pulses == [IDLE_US, IDLE_US]


def test_a_lost_sense_point_ends_the_step_and_a_blind_side_the_run():
    desk = Bench().to(s.BENCH_RUNNING)
    desk.cell_mv[1] = 0
    desk.step(4)
    assert desk.pulses == [IDLE_US, IDLE_US]
    desk.step(2)
    assert (desk.state, desk.controller.interlock.cause) == (s.HELD, s.CAUSE_SENSING_LOST)


def test_a_step_that_came_late_by_more_than_the_pulses_live_is_over():
    desk = Bench().to(s.BENCH_RUNNING)
    desk.step(1, dt_us=99_000)
    assert max(desk.pulses) > IDLE_US
    desk.step(1, dt_us=101_000)
    assert desk.pulses == [IDLE_US, IDLE_US]
    assert desk.bench.end == s.ENDED_LATE


def test_the_longest_step_the_longest_wait_and_the_longest_run():
    desk = Bench().to(s.BENCH_RUNNING)
    desk.run_s(STEP_S - 0.44)
    assert (desk.bench.end, desk.pulses) == (s.ENDED_TIME, [IDLE_US, IDLE_US])
    desk.lever_pm = 0
    desk.run_s(REST_S + 0.1)
    assert desk.thrust(300, time_ms=600) is None
    desk.step(2)
    desk.lever_pm = HOLD_LEVER
    desk.run_s(0.56)
    assert desk.pulses[0] == 1300
    desk.run_s(0.1)
    assert desk.bench.end == s.ENDED_TIME
    assert desk.state == s.BENCH
    desk.lever_pm = 0
    desk.run_s(REST_S)
    assert desk.thrust(300) is None
    desk.run_s(51)
    assert desk.state == s.BENCH
    desk.lever_pm = HOLD_LEVER
    desk.run_s(2.5)
    assert desk.state == s.LOCKED and desk.bench.end == s.ENDED_RUN
    desk = Bench(bench_run_s=120).to(s.BENCH_WAITING)
    desk.run_s(60.1)
    assert (desk.bench.phase, desk.bench.end) == (s.BENCH_IDLE, s.ENDED_NOT_HELD)
