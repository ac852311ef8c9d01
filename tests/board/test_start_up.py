"""A box that cannot start: no pulse, and the reason on the display and on the port."""

import pytest
from bench_host import IDLE_US, Host, make_box
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


def test_five_times_ctrl_c_lead_to_the_prompt_of_a_box_that_did_not_start_and_less_do_not():
    with make_box(board="pico_w", overlay={"board.txt": b"no_such_board"}) as box, Host(box) as host:
        box.advance(1)
        host.send((b"\x03" * 4 + b"\x00") * 20)
        box.advance(6)
        host.read()
        assert host.raw.count(b"The box did not start") >= 3
        host.send(b"\x03" * 5)
        box.advance(1)
        host.read()
        seen = len(host.raw)
        box.advance(6)
        host.read()
        assert b"did not start" not in host.raw[seen:]


@pytest.mark.parametrize("at_ms", range(0, 1000, 50))
def test_the_byte_0x03_at_any_moment_of_the_start(at_ms):
    """What a host asks while the box starts holds this byte again and again: the box starts all the same."""
    with make_box() as box, Host(box) as host:
        box.power_off()
        box.power_on()
        box.advance(at_ms / 1000)
        for _ in range(50):
            host.send(b"\x03" * 7)
            box.advance(0.001)
        host.ride(2)
        assert host.state == "LOCKED" and box.pulse_us(LEFT) == box.pulse_us(RIGHT) == IDLE_US
        assert "NO START" not in " ".join(box.screen_text())


PLACES = {
    "the box is imported": ("main.py", r"(            import box\n)", "            "),
    "a module is imported": ("box.py", r"(import machine\n)", ""),
    "it is put together": ("box.py", r"(        self.store.load\(\)\n)", "        "),
    "its tasks begin": ("box.py", r"(        self.house.collect\(\)\n)", "        "),
}


@pytest.mark.parametrize("kind", ["KeyboardInterrupt", "SystemExit", "MemoryError", "Exception"])
@pytest.mark.parametrize("place", PLACES)
def test_whatever_ends_the_start_is_told(place, kind):
    path, pattern, indent = PLACES[place]
    with make_box(overlay=patched(path, pattern, rf"\1{indent}raise {kind}\n")) as box, Host(box) as host:
        box.advance(6)
        host.read()
        assert bytes(host.raw).count(b"The box did not start") >= 2 and kind.encode() in host.raw
        screen = " ".join(box.screen_text())
        assert "NO START" in screen and kind[:12] in screen
        assert box.pulses(LEFT) == [] and box.resets == []
