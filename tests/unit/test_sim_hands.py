"""Lines that move a simulated board: each does what it says, and a slip is one sentence."""

import pytest

from barbox.demo.ride import example_rig
from barbox.errors import UserError
from barbox.sim import hands, vm
from barbox.sim.board import SimBoard

pytestmark = pytest.mark.skipif(not vm.available(), reason="needs the extra `sim`")

LINES = {
    "lever": ("40%", lambda b: b.wiring.lever.position_pm == 400),
    "arm": ("down", lambda b: b.wiring.button),
    "stop": ("open", lambda b: not b.wiring.stop_closed),
    "stop-wires": ("short", lambda b: b.wiring.stop_shorted),
    "brake": ("down", lambda b: b.wiring.brake),
    "blow": ("2", lambda b: b.sense_wire(2).cut),
    "short": ("2 1", lambda b: b.sense_wire(2).shorted_to == 0),
    "swap": ("1 5", lambda b: (b.sense_wire(1).side, b.sense_wire(5).side) == (1, 0)),
    "freeze": ("2", lambda b: b.sense_wire(2).frozen_uv is not None),
    "thaw": ("2", lambda b: b.sense_wire(2).frozen_uv is None),
    "shake": ("2 0.5", lambda b: b.sense_wire(2).shake_v == 0.5),
    "loosen": ("2", lambda b: len(b._step._schedule) == 40),  # opens and closes twice a second for 10 s
    "divider": ("2 2", lambda b: b.sense_wire(2).ratio > 30),
    "mend": ("2", lambda b: not b.sense_wire(2).cut),
    "weaken": ("left 1", lambda b: b.plant.sections(0)[0].groups[0].capacity_ah == 6),
    "charge": ("right 30", lambda b: b.plant.sections(1)[0].charge == 0.3),
    "lever-cut": ("b", lambda b: b.wiring.lever.b_fault_mv == 0),
    "lever-short": ("a", lambda b: b.wiring.lever.a_fault_mv == 3300),
    "lever-join": ("", lambda b: b.wiring.lever.joined),
    "lever-ground": ("ab", lambda b: b.wiring.lever.ground_open == [True, True]),
    "lever-off": ("", lambda b: b.wiring.lever.supply_off),
    "lever-shake": ("30", lambda b: b.wiring.lever.shake_mv == 30),
    "lever-drift": ("b -4", lambda b: b.wiring.lever.drift_mv_per_s == [0, -4]),
    "lever-stick": ("", lambda b: b.wiring.lever.held_pm == 0),
    "lever-free": ("", lambda b: b.wiring.lever.held_pm is None),
    "rest-switch": ("close", lambda b: b.wiring.lever.switch_stuck is True),
    "lever-mend": ("", lambda b: b.wiring.lever.switch_stuck is None),
    "supply": ("4.2", lambda b: b.wiring.supply_v == 4.2),
    "ground": ("open", lambda b: b.wiring.ground_open),
    "wheel": ("cut", lambda b: b.wiring.wheel_cut),
    "adc-silent": ("2", lambda b: b.wiring.parts_absent == 2),
}
FIRST = {"mend": "blow 2", "thaw": "freeze 2", "lever-free": "lever-stick", "lever-mend": "rest-switch close"}
UNSEEN = {"stall", "cable"}  # need a running VM, or an open port


@pytest.fixture
def box():
    board = SimBoard.from_rig(example_rig(), errors=False)
    yield board
    board.close()


def test_every_hand_is_tried():
    assert LINES.keys() | UNSEEN == hands.HANDS.keys()


@pytest.mark.parametrize("name", LINES)
def test_a_line_does_what_it_says(box, name):
    words, holds = LINES[name]
    hands.do(box, FIRST.get(name, ""))
    assert name not in FIRST or not holds(box)
    hands.do(box, f"{name} {words}")
    assert holds(box)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("brake on", "brake down|up: say which: down or up"),
        ("supply 12", "supply VOLTS: 12 is outside 0 to 5.5"),
        ("divider 2", "divider INPUT FACTOR: a number from 0.1 to 10 is needed"),
        ("swap 1 8", "swap INPUT INPUT: sense input 8 is not wired; these are: 1, 2, 3, 5, 6, 7"),
        ("lever-groud a", "no such thing to do: lever-groud; did you mean lever-ground?"),
    ],
)
def test_a_slip_is_one_sentence(box, line, said):
    with pytest.raises(UserError) as caught:
        hands.do(box, line)
    assert str(caught.value) == said
