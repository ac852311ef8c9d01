"""Requests to answers, at the desk: what is refused and why, and that a retry is done once."""

import struct
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.events import Events
from core.inputs import Inputs
from services.clock import Clock
from services.faults import FaultRequests
from services.requests import Requests
from shared_proto import messages as m
from shared_proto.settings import HARMLESS, ROWS, SETTINGS, Values, grant_proof, in_force_us
from shared_proto.states import (
    EVENT_SETTINGS,
    LOCKED,
    REFUSE_BAD_REQUEST,
    REFUSE_BOX_ALONE,
    REFUSE_CONFLICT,
    REFUSE_FLASH,
    REFUSE_NOT_LOCKED,
    REFUSE_OUT_OF_RANGE,
    REFUSE_UNKNOWN_REQUEST,
    REFUSE_UNKNOWN_SETTING,
    REFUSE_WIRED_ONLY,
)


class FakeController:
    def __init__(self):
        self.inputs = Inputs()
        self.interlock = SimpleNamespace(state=LOCKED)
        self.locked = True
        self.now_ms = 5000
        self.events = Events()

    def is_locked(self):
        return self.locked


class FakeControl:
    def __init__(self):
        self.controller = FakeController()
        self.configured: list[Values] = []
        self.paused = False
        self.arms_at_pause = False

    def pause(self, on):
        assert self.controller.locked or not on, "a pause under thrust would be a frame of idle pulses"
        self.paused = on
        if on and self.arms_at_pause:
            self.controller.locked = False

    def configure(self, values):
        assert self.paused, "a step may run between the check and this"
        self.configured.append(values)
        self.paused = False


class FakeStore:
    def __init__(self, control):
        self.control = control
        self.values = Values()
        self.seq = 3
        self.commits = 0
        self.full = False

    def commit(self, values):
        assert self.control.paused, "a step may arm while the flash is written"
        if self.full:
            raise OSError(28)
        self.commits += 1
        self.seq += 1
        self.values = values


class Desk:
    def __init__(self):
        self.control = FakeControl()
        self.store = FakeStore(self.control)
        self.clock = Clock()
        self.requests = Requests(self.control, self.store, self.clock, b"pico_w", b"e661", 0, lambda: 200_000, 1000)
        self.number = 0
        self.wired = True

    def ask(self, message, *values, number=None):
        self.number = self.number + 1 if number is None else number
        body = self.requests.answer(message.pack(self.number, *values), self.wired)
        kind, got = m.head(body)
        assert got == self.number
        assert not self.control.paused
        return m.BY_KIND[kind], m.BY_KIND[kind].unpack(body)[2:]

    def put(self, name, value, index=0, number=None):
        row = ROWS[name]
        return self.ask(m.SETTING_PUT, row, index, SETTINGS[row].pack(value), number=number)


def refused(reason):
    return m.REFUSED, (reason,)


DONE = (m.DONE, ())
RAMP = ROWS["ramp_up_ms"]


def test_put_and_commit_put_in_force():
    desk = Desk()
    assert desk.put("ramp_up_ms", 900) == DONE
    assert desk.store.values.get("ramp_up_ms") == 2000 and desk.control.configured == []
    assert desk.ask(m.SETTING_COMMIT) == DONE
    assert desk.store.values.get("ramp_up_ms") == 900
    assert [v.get("ramp_up_ms") for v in desk.control.configured] == [900]
    assert desk.control.controller.events.take() == (5000, EVENT_SETTINGS, 4, 0)
    assert desk.ask(m.SETTING_GET, RAMP, 0) == (m.SETTING, (RAMP, 0, struct.pack("<H", 900)))


def test_drop_and_hello_forget_what_was_put():
    for forget, values in ((m.SETTING_DROP, ()), (m.HELLO, (m.MAJOR, m.MINOR))):
        desk = Desk()
        desk.put("ramp_up_ms", 900)
        desk.ask(forget, *values)
        assert desk.ask(m.SETTING_COMMIT) == DONE
        assert desk.store.commits == 0 and desk.store.values.get("ramp_up_ms") == 2000


def test_a_retry_is_answered_again_and_done_once():
    desk = Desk()
    desk.put("ramp_up_ms", 900)
    for _ in range(3):
        assert desk.ask(m.SETTING_COMMIT, number=70) == DONE
    assert desk.store.commits == 1
    # A put that is replayed after its commit is not a new one.
    assert desk.put("ramp_up_ms", 1200, number=71) == DONE
    assert desk.put("ramp_up_ms", 1300, number=71) == DONE
    desk.ask(m.SETTING_COMMIT, number=72)
    assert desk.store.values.get("ramp_up_ms") == 1200


def test_a_refusal_is_repeated_too():
    desk = Desk()
    desk.control.controller.locked = False
    assert desk.put("ramp_up_ms", 900, number=9) == refused(REFUSE_NOT_LOCKED)
    desk.control.controller.locked = True
    assert desk.put("ramp_up_ms", 900, number=9) == refused(REFUSE_NOT_LOCKED)
    assert desk.put("ramp_up_ms", 900, number=10) == DONE


def test_faults_are_forgotten_only_while_locked_and_in_a_pause():
    control = FakeControl()
    cleared = []
    log = SimpleNamespace(faults=lambda number, *_: b"%d" % number, clear=lambda: cleared.append(control.paused))
    control.controller.warnings = SimpleNamespace(last_stop=4)
    ask = FaultRequests(control, log, lambda: (0, 0)).handlers()[m.FAULTS_GET.kind]
    for other in (2, 7, 255):  # 1 and nothing else
        assert ask(9, (other,)) == m.REFUSED.pack(9, REFUSE_OUT_OF_RANGE) and not cleared
    control.controller.locked = False
    assert ask(1, (0,)) == b"1" and ask(2, (1,)) == m.REFUSED.pack(2, REFUSE_NOT_LOCKED)
    control.controller.locked = True
    control.arms_at_pause = True  # a step between the look and the pause
    assert ask(3, (1,)) == m.REFUSED.pack(3, REFUSE_NOT_LOCKED)
    assert not control.paused and not cleared and control.controller.warnings.last_stop == 4
    control.arms_at_pause = False
    control.controller.locked = True
    assert ask(4, (1,)) == b"4"
    assert cleared == [True] and not control.paused and control.controller.warnings.last_stop == 0


def test_nothing_is_changed_unless_locked():
    desk = Desk()
    desk.put("ramp_up_ms", 900)
    desk.control.controller.locked = False
    assert desk.put("ramp_up_ms", 1000) == refused(REFUSE_NOT_LOCKED)
    assert desk.ask(m.SETTING_COMMIT) == refused(REFUSE_NOT_LOCKED)
    desk.control.controller.locked = desk.control.arms_at_pause = True
    assert desk.ask(m.SETTING_COMMIT) == refused(REFUSE_NOT_LOCKED)
    assert desk.store.commits == 0 and desk.control.configured == [] and not desk.control.paused
    assert desk.ask(m.SETTING_GET, RAMP, 0)[0] is m.SETTING  # reading is always allowed


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (struct.pack("<H", 499), REFUSE_OUT_OF_RANGE),
        (struct.pack("<H", 20001), REFUSE_OUT_OF_RANGE),
        (b"\x01", REFUSE_OUT_OF_RANGE),
        (b"", REFUSE_OUT_OF_RANGE),
        (struct.pack("<I", 900), REFUSE_OUT_OF_RANGE),
    ],
)
def test_a_value_outside_its_limits_or_of_the_wrong_length(data, reason):
    desk = Desk()
    assert desk.ask(m.SETTING_PUT, RAMP, 0, data) == refused(reason)
    assert desk.ask(m.SETTING_COMMIT) == DONE
    assert desk.store.commits == 0


def test_the_limits_themselves_are_taken():
    desk = Desk()
    assert desk.put("ramp_up_ms", 500) == DONE
    assert desk.put("ramp_up_ms", 20000) == DONE


@pytest.mark.parametrize(("row", "index"), [(len(SETTINGS), 0), (255, 0), (RAMP, 1), (ROWS["side.cells"], 4)])
def test_a_setting_that_does_not_exist(row, index):
    desk = Desk()
    assert desk.ask(m.SETTING_GET, row, index) == refused(REFUSE_UNKNOWN_SETTING)
    assert desk.ask(m.SETTING_PUT, row, index, b"\0\0") == refused(REFUSE_UNKNOWN_SETTING)


def test_settings_that_contradict_each_other():
    desk = Desk()
    desk.put("cell_floor_mv", 3600)
    desk.put("cell_low_mv", 3100)
    assert desk.ask(m.SETTING_COMMIT) == refused(REFUSE_CONFLICT)
    assert desk.store.commits == 0 and desk.control.configured == []


def test_a_full_flash_is_told_and_the_old_settings_stay():
    desk = Desk()
    desk.store.full = True
    desk.put("ramp_up_ms", 900)
    assert desk.ask(m.SETTING_COMMIT) == refused(REFUSE_FLASH)
    assert desk.control.configured == []
    assert desk.ask(m.SETTING_GET, RAMP, 0)[1][2] == struct.pack("<H", 2000)


def test_the_clock_is_set():
    desk = Desk()
    assert desk.ask(m.TIME_SET, 1_800_000_000) == DONE
    assert desk.clock.unix_s(5000 + 2500) == 1_800_000_002


@pytest.mark.parametrize("body", [b"\x07", b"\x01\x02", m.SETTING_GET.pack(5, 1, 0)[:4], bytes([250, 1, 0])])
def test_what_is_no_request_is_refused_and_the_first_of_all_too(body):
    answer = Desk().requests.answer(body)
    assert m.head(answer)[0] == m.REFUSED.kind
    assert m.REFUSED.unpack(answer)[2] in (REFUSE_UNKNOWN_REQUEST, REFUSE_BAD_REQUEST)


@given(st.lists(st.binary(max_size=200), max_size=20))
def test_any_bytes_get_an_answer_of_the_box_and_change_nothing_without_a_commit(bodies):
    desk = Desk()
    for body in bodies:
        answer = desk.requests.answer(body)
        message = m.BY_KIND[m.head(answer)[0]]
        assert message.sender == "box"
        message.unpack(answer)
    assert desk.store.commits <= sum(body[:1] == b"\x08" for body in bodies)


@given(
    st.lists(
        st.tuples(st.sampled_from([m.SETTING_GET, m.SETTING_PUT]), st.integers(0, 255), st.integers(0, 255),
                  st.binary(max_size=30)), max_size=20,
    )
)  # fmt: skip
def test_no_request_leaves_a_value_that_the_table_forbids(asked):
    desk = Desk()
    for message, row, index, data in asked:
        if message is m.SETTING_PUT:
            desk.ask(message, row % (len(SETTINGS) + 2), index % 9, data)
        else:
            desk.ask(message, row % (len(SETTINGS) + 2), index % 9)
    desk.ask(m.SETTING_COMMIT)
    for setting, row in zip(SETTINGS, desk.store.values.rows, strict=True):
        for value in row:
            setting.pack(value)


def test_bare_codes_are_told_with_the_running_number_of_each():
    desk = Desk()
    codes, numbers = (-7, 26400, 65535, 0, 0, 0, 0, 1), (3, 0x3FFF, 0, 0, 0, 0, 0, 9)
    for n in range(m.SENSES_MAX):
        desk.control.controller.inputs.code[n] = codes[n]
        desk.control.controller.inputs.reading[n] = numbers[n]
    assert desk.ask(m.SENSE_GET) == (m.SENSE_CODES, (5000, LOCKED, *codes, *numbers))


def test_by_air_nothing_is_taken_but_the_harmless_and_nothing_of_a_cable_committed():
    desk = Desk()
    desk.wired = False
    for s in SETTINGS:
        name = (s.group + "." if s.group else "") + s.name
        answer = desk.put(name, desk.store.values.get(name))
        assert answer == (DONE if s.danger == HARMLESS else refused(REFUSE_WIRED_ONLY)), name
    desk.wired = True
    assert desk.put("ramp_up_ms", 900) == DONE
    desk.wired = False
    assert desk.ask(m.SETTING_COMMIT) == refused(REFUSE_WIRED_ONLY)
    assert desk.store.commits == 0
    desk.wired = True
    assert desk.ask(m.SETTING_COMMIT) == DONE and desk.store.values.get("ramp_up_ms") == 900
    desk.wired = False
    assert desk.put("stream_hz", 5) == desk.ask(m.SETTING_COMMIT) == DONE


def test_what_the_box_alone_sets():
    desk = Desk()
    for name in ("side.proven", "side.idle_force_us", "side.full_force_us", "side.proof_run", "side.proof_mark"):
        assert desk.put(name, 1) == refused(REFUSE_BOX_ALONE)
    assert desk.put("side.proof_mark", 0) == refused(REFUSE_BOX_ALONE)
    assert desk.put("side.proven", 0) == DONE  # a proof may be taken back


def test_new_end_points_are_stored_and_wait_and_take_the_proof_with_them():
    desk = Desk()
    grant_proof(desk.store.values, 0, b"e661", 7)
    grant_proof(desk.store.values, 1, b"e661", 7)
    assert desk.put("side.idle_us", 1100) == desk.ask(m.SETTING_COMMIT) == DONE
    values = desk.store.values
    assert (values.get("side.idle_us"), in_force_us(values, "idle", 0)) == (1100, 1000)
    assert [values.get("side.proven", n) for n in (0, 1)] == [0, 1]
