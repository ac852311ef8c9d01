"""Twelve minutes on a closed airfield loop with the example trike, in virtual time.

The right string's lower section is weak from the start, as in a pack with a tired cell. A sense fuse blows on
the way, an arming is refused at the beginning, and the stop loop is pulled at the end.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from barbox.sim.board import LEFT, RIGHT, SimBoard

STARTED_UNIX_S = 1_780_736_400  # 2026-06-06 09:00 UTC, so that a ride does not depend on the day it is made

LENGTH_S = 725.0
BLOWN_S, MENDED_S = 235.0, 292.0  # the fuse of sense input 1, left lower tap
BLOWN_INPUT = 1
STOP_S = 705.0
WEAK = "right, lower section"
REFUSED_S = 8.0
ARMED_BY_S = 24.0


@dataclass(frozen=True)
class Act:
    """At `t_s` seconds of the recording, do something; `say` tells a person watching."""

    t_s: float
    say: str
    do: Callable[[SimBoard], object]


def _lever(per_mille: int) -> Callable[[SimBoard], None]:
    return lambda box: box.move_lever(per_mille)


def prepare(box: SimBoard) -> None:
    """What is true of the rig before power comes on."""
    for side in (LEFT, RIGHT):
        box.plant.set_charge(side, 0.98)
    box.weaken_section(RIGHT, 0, capacity_factor=0.78, resistance_factor=1.8)


def acts() -> list[Act]:
    """All that the rider, and bad luck, do."""
    script = [
        Act(REFUSED_S, "press the arm button without having tried the stop loop", SimBoard.press_arm_button),
        Act(REFUSED_S + 1.5, "let go", SimBoard.release_arm_button),
        Act(12.0, "open the stop loop, to show that it works", SimBoard.open_stop_loop),
        Act(13.0, "close it", SimBoard.close_stop_loop),
        Act(18.0, "hold the arm button", SimBoard.press_arm_button),
        Act(19.6, "let go: armed", SimBoard.release_arm_button),
    ]
    # Laps: brisk on the straights, easy in the bends, a rest now and then.
    t_s, lap = 25.0, 0
    while t_s < BLOWN_S - 10:
        lap += 1
        script.append(Act(t_s, f"lap {lap}: straight", _lever(620)))
        script.append(Act(t_s + 22, "bend", _lever(330)))
        t_s += 36
    script.append(Act(BLOWN_S - 5, f"lap {lap + 1}: straight", _lever(620)))
    script += [
        Act(BLOWN_S, "the fuse of the left tap blows", lambda box: box.cut_sense_wire(BLOWN_INPUT)),
        Act(BLOWN_S + 25, "roll out to the pit", _lever(0)),
        Act(MENDED_S, "a new fuse", lambda box: box.mend_sense_wire(BLOWN_INPUT)),
    ]
    t_s = MENDED_S + 13
    while t_s < 600:
        lap += 1
        script.append(Act(t_s, f"lap {lap}: straight", _lever(680)))
        script.append(Act(t_s + 22, "bend", _lever(380)))
        t_s += 36
    script += [
        Act(620.0, "one more fast lap", _lever(1000)),
        Act(STOP_S, "pull the stop loop at speed", SimBoard.open_stop_loop),
        Act(STOP_S + 4, "close it, lever to rest", lambda box: (box.close_stop_loop(), box.move_lever(0))),
        Act(STOP_S + 8, "press the arm button: back to LOCKED", SimBoard.press_arm_button),
        Act(STOP_S + 8.4, "let go", SimBoard.release_arm_button),
    ]
    return sorted(script, key=lambda act: act.t_s)
