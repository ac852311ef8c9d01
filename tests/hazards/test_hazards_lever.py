"""Lever, button, stop loop and brake: each hazard of that section, at each moment of a ride."""

import pytest
from moments import ALL, Run, at

IDLE_MS = 100  # lever wire open or shorted to idle, every wire


LEVER_WIRES = {
    "a": lambda box: box.cut_lever_wire("a"),
    "b": lambda box: box.cut_lever_wire("b"),
    "both": lambda box: box.cut_lever_wire("ab"),
}


def lever_fault(moment, action, *causes):
    """Idle within 100 ms, HELD and told; before READY, not armed."""
    with Run(moment) as run:
        run.strike(action, phase_us=7_000)
        run.idle_within(IDLE_MS)
        if moment == "arming":
            run.locked("LEVER_REST")
            run.never_armed()
        else:
            run.held(*causes)


@pytest.mark.parametrize("wire", LEVER_WIRES)
@at(*ALL)
def test_lever_wire_open(moment, wire):
    lever_fault(moment, LEVER_WIRES[wire], "LEVER_RANGE")
