"""A box that cannot start: no pulse, and the reason on the display and on the port."""

import pytest
from bench_host import Host, make_box
from overlays import patched

from barbox.sim.board import LEFT, RIGHT

DAMAGED = b"def half_a_file(:\n"


def failing_init(after: str) -> dict[str, bytes]:
    return patched("box.py", rf"({after}\n)", r"\1        raise OSError(5)\n")


CRASHES = {
    "the core damaged": {"core/controller.py": DAMAGED},
    "the pulse output damaged": {"drivers/pulse.py": DAMAGED},
    "the box itself cut short": {"box.py": b"import asyncio\nclass Box"},
    "a shared table damaged": {"shared_proto/states.py": b"STATES = ("},
    "an exception before the pulse output": failing_init("        self.store = Store\\(\\)"),
    "an exception at the end": failing_init("        self.control.configure\\(values\\)"),
}


@pytest.mark.parametrize("crash", CRASHES)
def test_a_start_up_that_crashes_makes_no_pulse_and_says_why(crash):
    with make_box(overlay=CRASHES[crash]) as box, Host(box) as host:
        box.move_lever(1000)
        box.advance(6)
        box.port.flush()
        host.read()
        assert box.pulses(LEFT) == box.pulses(RIGHT) == []
        assert box.resets == []  # nothing to be gained by starting again and again
        kind = "OSError" if "exception" in crash else "SyntaxError"
        assert bytes(host.raw).count(b"The box did not start") >= 2 and kind.encode() in host.raw
        screen = " ".join(box.screen_text())
        assert "NO START" in screen and kind in screen


def test_the_display_itself_may_be_what_is_damaged():
    with make_box(overlay={"drivers/display.py": DAMAGED}) as box, Host(box) as host:
        box.advance(6)
        host.read()
        assert box.pulses(LEFT) == []
        assert bytes(host.raw).count(b"The box did not start") >= 2


def test_a_board_file_that_is_not_there():
    with make_box(board="pico_w", overlay={"board.txt": b"no_such_board"}) as box, Host(box) as host:
        box.advance(3)
        host.read()
        assert box.pulses(LEFT) == [] and b"ImportError" in host.raw


def test_the_arm_button_leads_to_the_prompt_of_a_damaged_box():
    with make_box(overlay={"box.py": DAMAGED}) as box, Host(box) as host:
        box.advance(3)
        host.read()
        box.press_arm_button()
        box.power_off()
        box.power_on()
        box.advance(3)
        seen = len(host.raw)
        host.read()
        assert b"box not started" in host.raw[seen:] and b"did not start" not in host.raw[seen:]
