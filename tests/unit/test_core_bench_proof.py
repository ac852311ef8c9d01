"""The proof of a stop: what the box must have seen of a side before it marks one, and for whom."""

import pytest
from core_bench_desk import HOLD_LEVER, REST_S, Bench

from services.proof_requests import ProofRequests
from shared_proto import messages as m
from shared_proto import states as s
from shared_proto.settings import proof_mark, settle, withdraw_proofs

SERIAL = b"e661"


class Store:
    def __init__(self, values):
        self.values = values


class Proving(Bench):
    """A bench desk that can ask for the mark."""

    def __init__(self, **plain):
        super().__init__(proven=False, **plain)
        self.store = Store(self.values)
        self.proofs = ProofRequests(self.bench, self.store, SERIAL, self._put)

    def _put(self, number, values):
        self.store.values = values

    def prove(self, token=None, side=1):
        """The mark, or the refusal as a negative number."""
        answer = self.proofs.do[m.BENCH_PROVE.kind](1, (self.token if token is None else token, side))
        if m.head(answer)[0] == m.BENCH_PROOF.kind:
            return m.BENCH_PROOF.unpack(answer)[2]
        return -m.REFUSED.unpack(answer)[2]

    def withhold(self, seconds=2.5, side=1):
        assert self.thrust(200, side, s.BENCH_WITHHOLD, time_ms=6000) is None
        self.lever_pm = 0
        self.step(3)
        self.lever_pm = HOLD_LEVER
        self.run_s(0.4 + seconds)
        self.lever_pm = 0
        self.run_s(REST_S + 0.2)

    def open_stop(self, seconds=1.5, side=1):
        assert self.thrust(200, side) is None
        self.step(3)
        self.lever_pm = HOLD_LEVER
        self.run_s(seconds)
        self.inputs.stop_closed = False
        self.step(5)
        assert self.controller.interlock.cause == s.CAUSE_STOP_OPEN
        self.lever_pm = 0
        self.inputs.stop_closed = True
        self.step(5)


@pytest.fixture
def desk():
    return Proving(bench_step_ms=8000).enter()


def test_both_seen_and_the_token_of_the_run(desk):
    desk.withhold(3.5)
    desk.open_stop()
    assert desk.prove(token=desk.token ^ 1) == -s.REFUSE_NOT_SEEN
    assert desk.prove(side=2) == -s.REFUSE_NOT_SEEN
    assert desk.prove(side=0) == desk.prove(side=3) == -s.REFUSE_OUT_OF_RANGE
    assert desk.prove() == proof_mark(desk.values, 0, SERIAL, desk.token)
    proved = desk.store.values
    assert [proved.get("side.proven", n) for n in (0, 1)] == [1, 0]
    withdraw_proofs(proved, SERIAL)
    assert proved.get("side.proven", 0) == 1
    # On another box the same settings prove nothing.
    withdraw_proofs(proved, b"e662")
    assert proved.get("side.proven", 0) == 0


@pytest.mark.parametrize("left_out", ["withhold", "stop", "withheld too short", "stopped too soon", "let go"])
def test_half_of_it_is_no_proof(desk, left_out):
    if left_out != "withhold":
        desk.withhold(1.8 if left_out == "withheld too short" else 3.5)
    if left_out == "let go":
        desk.thrust(200)
        desk.step(3)
        desk.lever_pm = HOLD_LEVER
        desk.run_s(1.5)
        desk.lever_pm = 0
        desk.run_s(1)
    elif left_out != "stop":
        desk.open_stop(0.3 if left_out == "stopped too soon" else 1.5)
    assert desk.prove() == -s.REFUSE_NOT_SEEN


@pytest.mark.parametrize(
    ("name", "value"), [("rig", b"other"), ("side.name", b"third"), ("side.cells", 9)]
)
def test_what_was_seen_of_another_side_does_not_count(desk, name, value):
    desk.withhold(3.5)
    desk.open_stop()
    other = desk.values.copy()
    other.put(name, value)
    desk.bench.configure(other)
    assert desk.prove() == -s.REFUSE_NOT_SEEN


@pytest.mark.parametrize(
    ("name", "value"),
    [("rig", b"other"), ("side.name", b"third"), ("side.cells", 9), ("side.idle_us", 1010), ("side.full_us", 1990)],
)
def test_a_proof_is_withdrawn_with_what_it_is_of(desk, name, value):
    desk.withhold(3.5)
    desk.open_stop()
    desk.prove()
    now = desk.store.values
    same = now.copy()
    same.put("ramp_up_ms", 2500)
    settle(same, now, SERIAL)
    assert same.get("side.proven", 0) == 1
    changed = now.copy()
    changed.put(name, value)
    settle(changed, now, SERIAL)
    assert changed.get("side.proven", 0) == 0


def test_no_proof_while_other_end_points_wait(desk):
    desk.withhold(3.5)
    desk.open_stop()
    waiting = desk.values.copy()
    waiting.put("side.idle_us", 1100)
    settle(waiting, desk.values, SERIAL)
    desk.store.values = waiting
    assert desk.prove() == -s.REFUSE_NOT_NOW
