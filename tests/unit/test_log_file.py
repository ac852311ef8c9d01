"""The log that survives a reset: what is counted and kept, what a damaged file leaves, when it is written."""

from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from core.events import Events
from services.clock import Clock
from services.log import BY_WATCHDOG, ROOM, Log
from services.log_task import LogTask
from shared_proto import messages as m
from shared_proto import states as s

FIXTURE = settings(suppress_health_check=[HealthCheck.function_scoped_fixture])


def log_in(folder: Path, reset=s.RESET_POWER, was=0) -> Log:
    log = Log(f"{folder}/")
    log.load()
    log.start(reset, was)
    return log


def stored(log: Log) -> list[tuple]:
    """(number, boot, time_ms, unix_s, event, times, a, b) of every event, page by page."""
    out: list[tuple] = []
    first = 0
    while True:
        _, _, at, end, count, *flat = m.LOG.unpack(log.page(1, first))
        columns = [flat[10 * k : 10 * k + 10] for k in range(7)]
        out += [(at + k, *(column[k] for column in columns)) for k in range(count)]
        first = at + count
        if first >= end:
            return out


def faults(log: Log):
    from barbox import proto

    return proto.unpack(log.faults(1, 0, 0))


def test_held_is_counted_by_cause_and_survives(tmp_path):
    log = log_in(tmp_path)
    for cause in (s.CAUSE_LATE, s.CAUSE_LATE, s.CAUSE_STOP_OPEN):
        log.see(5000, s.EVENT_STATE, s.HELD, cause, 0)
    log.save()
    found = faults(log_in(tmp_path))
    assert (found.held[s.CAUSE_LATE], found.held[s.CAUSE_STOP_OPEN]) == (2, 1)
    assert (found.boots, found.since_boot, found.last_boot, found.last_time_ms) == (2, 1, 1, 5000)
    assert found.last_cause == s.CAUSE_STOP_OPEN and found.unseen == 0


def test_what_was_not_saved_is_lost_and_nothing_else(tmp_path):
    log = log_in(tmp_path)
    log.see(1, s.EVENT_ERROR, s.PART_SCREENS, 1, 0)
    log.save()
    log.see(2, s.EVENT_ERROR, s.PART_SCREENS, 1, 0)
    assert faults(log).unsaved == 1 and faults(log).errors[s.PART_SCREENS] == 2
    again = log_in(tmp_path)
    assert faults(again).errors[s.PART_SCREENS] == 1


def test_a_stop_that_nobody_cleared_is_unseen_until_it_is_cleared_or_told(tmp_path):
    log = log_in(tmp_path)
    log.see(1, s.EVENT_STATE, s.HELD, s.CAUSE_SUPPLY, 0)
    log.save()
    log = log_in(tmp_path)
    assert log.unseen == s.CAUSE_SUPPLY
    log.see(1, s.EVENT_STATE, s.READY, 0, 0)
    assert log.unseen == 0
    log.see(2, s.EVENT_STATE, s.HELD, s.CAUSE_LATE, 0)
    log.save()
    log = log_in(tmp_path)
    log.told = True
    log.save()
    assert log.unseen == s.CAUSE_LATE
    assert log_in(tmp_path).unseen == 0
    held = (s.HELD + 1) << 8 | s.CAUSE_TASK_SILENT
    assert log_in(tmp_path, s.RESET_WATCHDOG, held).unseen == BY_WATCHDOG | s.CAUSE_TASK_SILENT
    assert log_in(tmp_path, s.RESET_WATCHDOG, (s.DRIVING + 1) << 8).unseen == BY_WATCHDOG


@pytest.mark.parametrize(
    "event",
    [
        (s.EVENT_STATE, s.READY, 0),
        (s.EVENT_STATE, s.DRIVING, 0),
        (s.EVENT_LIMIT, 1, 2),
        (s.EVENT_ARM_REFUSED, 1, 0),
        (s.EVENT_SENSE, 1, s.SENSE_OK),
        (s.EVENT_WARNING_ON, s.WARN_UNPROVEN.bit_length() - 1, 0),
    ],
)
def test_what_is_no_fault_costs_no_flash(tmp_path, event):
    log = log_in(tmp_path)
    log.save()
    log.see(1, *event, 0)
    assert not log.changed and stored(log) == []


def test_a_ground_that_is_off_is_kept(tmp_path):
    """No other event tells of it."""
    log = log_in(tmp_path)
    log.save()
    log.see(1, s.EVENT_WARNING_ON, s.WARN_GROUND.bit_length() - 1, 0, 0)
    assert log.changed and len(stored(log)) == 1


EVENTS = st.tuples(
    st.integers(0, 60_000), st.integers(0, 12), st.integers(0, 65535), st.integers(0, 65535),
    st.sampled_from([0, 1_800_000_000]),
)  # fmt: skip


@FIXTURE
@given(st.lists(EVENTS, max_size=150), st.data())
def test_any_events_come_back_and_any_damage_leaves_the_save_before(tmp_path, events, data):
    for path in tmp_path.iterdir():
        path.unlink()
    log = log_in(tmp_path)
    cut = data.draw(st.integers(0, len(events)))
    for event in events[:cut]:
        log.see(*event)
    log.snapshot = bytes(range(89))
    log.save()
    before = (stored(log), faults(log)[2:13])
    for event in events[cut:]:
        log.see(*event)
    log.save()
    after = (stored(log), faults(log)[2:13])
    numbers = [row[0] for row in after[0]]
    assert len(numbers) <= ROOM and numbers == list(range(log.first, log.end))
    again = Log(f"{tmp_path}/")
    again.load()
    assert (stored(again), faults(again)[2:13], again.snapshot) == (*after, log.snapshot)
    newest = tmp_path / "log.a"  # the second save: the first goes to the other slot
    good = newest.read_bytes()
    if data.draw(st.booleans()):
        bad = good[: data.draw(st.integers(0, len(good) - 1))]
    else:
        at = data.draw(st.integers(0, len(good) - 1))
        bad = good[:at] + bytes([good[at] ^ data.draw(st.integers(1, 255))]) + good[at + 1 :]
    newest.write_bytes(bad)
    older = Log(f"{tmp_path}/")
    older.load()
    assert (stored(older), faults(older)[2:13]) == before and not older.broken


def test_both_slots_damaged_are_told_and_counting_begins_anew(tmp_path):
    log = log_in(tmp_path)
    log.save()
    log.save()
    for path in tmp_path.iterdir():
        path.write_bytes(path.read_bytes()[:-1])
    log = log_in(tmp_path)
    assert log.broken and log.boots == 1


def test_a_loose_wire_is_one_event_with_a_count(tmp_path):
    log = log_in(tmp_path)
    for k in range(300):
        log.see(20 * k, s.EVENT_SENSE, 3, s.SENSE_OPEN, 0)
        log.see(20 * k + 10, s.EVENT_SENSE, 3, s.SENSE_OK, 0)
    log.see(40_000, s.EVENT_SENSE, 3, s.SENSE_OPEN, 0)
    assert [row[2:6] for row in stored(log)] == [(0, 0, s.EVENT_SENSE, 255), (40_000, 0, s.EVENT_SENSE, 1)]
    assert faults(log).sense[s.SENSE_OPEN] == 301


def test_counters_stop_at_their_most(tmp_path):
    log = log_in(tmp_path)
    for _ in range(65_600):
        log._count(0)
    assert faults(log).overruns == 65535


def test_a_full_log_makes_room_and_the_numbers_tell(tmp_path):
    log = log_in(tmp_path)
    for k in range(200):
        log.see(20_000 * k, s.EVENT_ERROR, k % 8, 1, 0)
    rows = stored(log)
    assert [row[0] for row in rows] == list(range(200 - ROOM, 200))
    assert sum(faults(log).errors) == 200


def test_the_clock_dates_what_this_start_has_brought(tmp_path):
    log = log_in(tmp_path)
    log.see(1000, s.EVENT_ERROR, 1, 1, 0)
    log.save()
    log = log_in(tmp_path)
    log.see(4000, s.EVENT_STATE, s.HELD, s.CAUSE_LATE, 0)
    log.date(10_000, 1_800_000_010)
    assert [row[3] for row in stored(log)] == [0, 1_800_000_004]
    assert faults(log).last_unix_s == 1_800_000_004


def test_clear_forgets_and_a_full_flash_forgets_nothing(tmp_path):
    log = log_in(tmp_path)
    log.see(1, s.EVENT_STATE, s.HELD, s.CAUSE_LATE, 0)
    log._slots.paths = [f"{tmp_path}/none/a", f"{tmp_path}/none/b"]
    with pytest.raises(OSError):
        log.clear()
    assert faults(log).held[s.CAUSE_LATE] == 1 and len(stored(log)) == 1 and faults(log).write_errors == 1
    log._slots.paths = [f"{tmp_path}/log.a", f"{tmp_path}/log.b"]
    log.clear()
    for found in (faults(log), faults(log_in(tmp_path))):
        assert sum(found.held) == 0 and found.last_cause == 0 and found.unseen == 0
    assert stored(log) == []


class Desk:
    """A LogTask with a control and a log that remember when they were asked to write."""

    def __init__(self, folder: Path):
        self.controller = SimpleNamespace(
            now_ms=0,
            events=Events(),
            sides=2,
            idle_us=[1000, 1000],
            interlock=SimpleNamespace(state=s.LOCKED, waits=s.WAIT_STOP_TEST),
            inputs=SimpleNamespace(button=False),
            outputs=SimpleNamespace(demand_pm=0, pulse_us=[1000, 1000]),
            warnings=SimpleNamespace(last_stop=0),
        )
        self.paused = False
        self.log = log_in(folder)
        self.full = False
        self.writes: list[int] = []
        save = self.log.save

        def written():
            assert self.paused and self.controller.outputs.pulse_us == [1000, 1000]
            assert self.controller.interlock.state in (s.LOCKED, s.HELD)
            self.writes.append(self.controller.now_ms)
            if self.full:
                raise OSError(28)
            save()

        self.log.save = written
        estimate = SimpleNamespace(charge_pm=[65535] * 4, snapshot=lambda: b"snapshot")
        self.estimate = estimate
        self.clock = Clock()
        self.task = LogTask(self, self.log, self.clock, estimate, lambda state, cause: None)

    def pause(self, on):
        self.paused = on

    def rounds(self, count: int):
        for _ in range(count):
            self.controller.now_ms += 100
            self.task.round()

    def fault(self):
        self.controller.events.add(self.controller.now_ms, s.EVENT_ERROR, self.controller.now_ms & 7, 1)


STEPS = st.lists(
    st.tuples(
        st.sampled_from([s.LOCKED, s.READY, s.DRIVING, s.HELD, s.BENCH]),
        st.sampled_from([1000, 1001, 1700]),
        st.booleans(),
        st.sampled_from([s.WAIT_STOP_TEST, s.WAIT_ESC_IDLE, s.WAIT_BUTTON, s.WAIT_BENCH_BUTTON]),
        st.integers(1, 40),
    ),
    max_size=40,
)


@FIXTURE
@given(STEPS)
def test_it_is_written_only_after_a_second_at_idle(tmp_path, steps):
    desk = Desk(tmp_path)
    quiet_ms = 0
    for state, pulse_us, button, waits, rounds in steps:
        desk.controller.interlock.waits = waits
        desk.controller.interlock.state = state
        desk.controller.outputs.pulse_us[1] = pulse_us
        desk.controller.inputs.button = button
        desk.fault()
        for _ in range(rounds):
            before = len(desk.writes)
            about_to_arm = state == s.LOCKED and waits in (s.WAIT_BUTTON, s.WAIT_BENCH_BUTTON)
            quiet = state in (s.LOCKED, s.HELD) and pulse_us == 1000 and not about_to_arm
            quiet = quiet and not (button and state == s.LOCKED)
            quiet_ms = quiet_ms + 100 if quiet else 0
            desk.rounds(1)
            if len(desk.writes) > before:
                assert quiet_ms >= 1000


def test_a_button_held_at_a_fault_does_not_keep_the_log_from_flash(tmp_path):
    """It may be stuck; and after a step that failed nobody reads it again."""
    desk = Desk(tmp_path)
    desk.controller.inputs.button = True
    desk.fault()
    desk.rounds(30)
    assert not desk.writes
    desk.controller.interlock.state = s.HELD
    desk.rounds(30)
    assert len(desk.writes) == 1 and not desk.log.changed


NOW_S = 1_800_000_000


def test_an_event_just_before_the_time_was_set_is_dated_just_before(tmp_path):
    desk = Desk(tmp_path)
    desk.rounds(10)
    desk.fault()  # the task takes it after a host has set the time, up to a tenth of a second later
    desk.controller.now_ms += 60
    desk.clock.set(NOW_S, desk.controller.now_ms)
    desk.rounds(1)
    assert NOW_S - stored(desk.log)[-1][3] in (0, 1)


def test_the_clock_goes_on_for_as_long_as_the_box_is_on():
    """The step's clock wraps after 12.4 days; whoever asks less seldom than every six has the right time for ever."""
    clock, ms = Clock(), 123_456
    assert clock.unix_s(ms) == 0
    clock.set(NOW_S, ms)
    for hours in range(40 * 24):
        assert clock.unix_s((ms + hours * 3_600_000) & 0x3FFFFFFF) == NOW_S + hours * 3600
    assert clock.unix_s((ms + hours * 3_600_000 - 5000) & 0x3FFFFFFF) == NOW_S + hours * 3600 - 5


def test_faults_without_end_are_written_at_most_34_times_an_hour(tmp_path):
    desk = Desk(tmp_path)
    for _ in range(36_000):
        desk.fault()
        desk.rounds(1)
    assert 30 <= len(desk.writes) <= 34
    assert sum(faults(desk.log).errors) + faults(desk.log).unlogged == 36_000


def test_a_flash_that_is_full_is_tried_again_seldom_and_nothing_is_forgotten(tmp_path):
    desk = Desk(tmp_path)
    desk.full = True
    desk.fault()
    desk.rounds(36_000)
    assert 4 <= len(desk.writes) <= 34
    desk.full = False
    desk.rounds(1300)
    assert not desk.log.changed
    assert sum(faults(log_in(tmp_path)).errors) == 1


def test_what_was_learned_is_written_when_it_has_changed_enough(tmp_path):
    desk = Desk(tmp_path)
    desk.rounds(30)
    assert len(desk.writes) == 1  # the start itself
    desk.estimate.charge_pm[:2] = [800, 790]
    desk.rounds(30)
    assert len(desk.writes) == 1  # only now known: the voltage would tell it again
    desk.estimate.charge_pm[0] = 785
    desk.rounds(30)
    assert len(desk.writes) == 1
    desk.estimate.charge_pm[0] = 780
    desk.rounds(30)
    assert len(desk.writes) == 2 and log_in(tmp_path).snapshot == b"snapshot"


def test_events_that_found_no_room_are_counted(tmp_path):
    desk = Desk(tmp_path)
    for _ in range(70):
        desk.fault()
    desk.rounds(1)
    assert faults(desk.log).unlogged == 7
