"""The box itself: each hazard of that section, at the moments where it makes sense."""

import pytest
from bench_host import FRAME_US, IDLE_US, Host, above_idle, arm, make_box, quick_values, us
from moments import ALL, NO_THRUST_YET, SIDES, UNDER_THRUST, Run, at
from overlays import TASKS, failing_house, failing_task, patched

from barbox.sim.board import LEFT, settings_slot
from barbox.sim.firmware import board_files
from shared_proto import messages, states

DEAD_MS = 100  # pulses end by themselves
WATCHDOG_MS = 1000
DAMAGED = b"def half_a_file(:\n"


def up_again(run, cause):
    """Started once more: LOCKED, idle pulses only, and the reason is told."""
    box, host = run.box, run.host
    assert [why for _, why in box.resets] in ([], [cause.lower()])
    host.ride(1)
    assert host.state == "LOCKED"
    assert states.name(states.RESETS, host.hello().reset) == cause


@pytest.mark.parametrize("busiest", [False, True])
@at(*UNDER_THRUST, but=NO_THRUST_YET)
def test_step_stalls_or_a_crash(moment, busiest):
    with Run(moment, busiest=busiest) as run:
        run.strike(lambda box: box.stall_processor(60), phase_us=11_000, seconds=0.7)
        run.idle_within(DEAD_MS + FRAME_US / 1000, pulses_go_on=False)  # an order reaches the VM with its next step


@at(*ALL)
def test_watchdog_reset_while_driving(moment):
    with Run(moment) as run:
        run.strike(lambda box: (box.stall_processor(60), box.release_arm_button()), seconds=2)
        run.idle_within(DEAD_MS + FRAME_US / 1000)
        assert [why for _, why in run.box.resets] == ["watchdog"]
        assert run.box.resets[0][0] - run.struck_us <= (WATCHDOG_MS * 1000 + FRAME_US)
        up_again(run, "WATCHDOG")


@at(*ALL)
def test_supply_brown_out(moment):
    """As a cut of the power at any moment: the pins are low at once, and the box comes up LOCKED."""
    with Run(moment) as run:
        run.strike(lambda box: box.power_off(), phase_us=7_000, seconds=0.3)
        run.idle_within(FRAME_US / 1000, pulses_go_on=False)
        assert max(rise for side in SIDES for rise, _ in run.box.pulses(side)) <= run.struck_us
        run.box.release_arm_button()  # held, it would lead to the prompt
        run.box.power_on()
        run.ride(1.5)
        up_again(run, "POWER")
        assert not run.above_idle(run.struck_us + FRAME_US)


# The arm button, which nobody presses while driving, makes it fail at the moment that is wanted.
FAILING_STEP = patched(
    "core/controller.py",
    r'(    def step\(self, dt_us\):\n        """.*?"""\n)',
    r"\1        if self.inputs.button and self.interlock.state == DRIVING:\n            raise MemoryError\n",
)


@at(*UNDER_THRUST, but=NO_THRUST_YET)
def test_exception_in_the_step(moment):
    with Run(moment, overlay=FAILING_STEP, busiest=True) as run:
        run.strike(lambda box: box.press_arm_button(), phase_us=3_000)
        run.idle_within(60)
        run.held("STEP_FAILED")
        run.told_within(60, "ERROR", a=0)


@pytest.mark.parametrize("task", TASKS)
def test_exception_in_a_task_a_task_that_dies(task):
    """Each task by its name. Those that only show and sound are begun again, and the ride goes on."""
    with make_box(overlay=failing_task(task, 5000)) as box, Host(box) as host:
        host.ride(0.5)
        arm(box)
        box.move_lever(600)
        host.ride(2.2)
        assert host.status.time_ms < 5000 and host.state == "DRIVING"
        host.ride((4990 - host.status.time_ms) / 1000)
        alive_us = us(box) - 200_000  # its last heartbeat came no earlier
        host.ride(1.6)
        if task in ("screens", "sounds"):
            host.ride(2)
            assert host.state == "DRIVING" and above_idle(box, LEFT, us(box) - 2 * FRAME_US)
            assert [(e.a, e.b) for e in host.events_of("ERROR")] == [(TASKS.index(task) + 1, 1)]
            assert "DRIVING" in " ".join(box.screen_text()) and box.resets == []
            return
        last_us = max(rise + width for side in SIDES for rise, width in above_idle(box, side))
        assert last_us - alive_us <= 1_500_000  # a second without a heartbeat, which came 0.25 s apart
        host.ride(WATCHDOG_MS / 1000 + 0.5)
        assert [why for _, why in box.resets] == ["watchdog"]
        if task != "stream":  # which is what tells
            assert [e.b for e in host.events_of("STATE") if e.a == states.HELD] == [states.CAUSE_TASK_SILENT]
        assert not above_idle(box, LEFT, last_us + FRAME_US)


def test_a_slow_task():
    """One that never lets go for 30 ms: frames are lost, counted and warned of, and the ride goes on."""
    overlay = failing_house(4000, "__import__('_bus').hold(30_000)")  # of the simulated board
    with make_box(overlay=overlay) as box, Host(box) as host:
        host.ride(0.5)
        arm(box)
        box.move_lever(700)
        host.ride(6)
        assert host.state == "DRIVING" and "LATE" in host.warnings
        assert host.status.overruns >= 5 and host.events_of("OVERRUN")
        gaps = [b[0] - a[0] for a, b in zip(box.pulses(LEFT), box.pulses(LEFT)[1:], strict=False)]
        assert max(gaps) == FRAME_US


# What keeps files: every file that is opened for writing finds the flash full.
KEEPERS = ("services/store.py", "services/slots.py")
NO_ROOM = b"""

_open = open


def open(path, mode="r"):
    if "w" in mode or "a" in mode:
        raise OSError(28)
    return _open(path, mode)
"""


def test_flash_full():
    """No room for the new settings: refused, and the old ones stay, also over a restart."""
    full = {path: content + NO_ROOM for path, content in board_files().items() if path in KEEPERS}
    with make_box(overlay=full) as box, Host(box) as host:
        host.ride(1)
        host.hello()
        host.put("ramp_up_ms", 3333)
        answer = host.request(messages.SETTING_COMMIT)
        assert states.name(states.REFUSALS, answer.reason) == "FLASH"
        box.power_off()
        box.power_on()
        host.ride(1)
        assert host.get("ramp_up_ms") == 2000 and host.waits == "STOP_TEST"


def test_flash_stall_of_400_ms():
    """Flash is written only while LOCKED: pulses pause and come back as idle, and no arming slips in."""
    with make_box() as box, Host(box) as host:
        host.ride(1)
        host.hello()
        box.stall_flash(0.4)
        for ramp_ms in range(2100, 4000, 100):
            host.put("ramp_up_ms", ramp_ms)
            assert host.request(messages.SETTING_COMMIT).kind == messages.DONE.kind
            host.ride(0.6)
        gaps = [b[0] - a[0] for a, b in zip(box.pulses(LEFT), box.pulses(LEFT)[1:], strict=False)]
        assert 350_000 <= max(gaps) <= 450_000
        assert {width for side in SIDES for _, width in box.pulses(side)} == {IDLE_US}
        assert box.resets == [] and host.state == "LOCKED"


def without_rig(host, box):
    """Defaults are in force: it is said, and cannot be armed."""
    host.ride(1)
    arm(box)
    box.move_lever(1000)
    host.ride(2)
    assert (host.state, host.waits) == ("LOCKED", "NO_RIG") and "SETTINGS" in host.warnings
    assert {width for side in SIDES for _, width in box.pulses(side)} == {IDLE_US}


@pytest.mark.parametrize("damage", ["a bit", "cut short", "not settings at all"])
def test_settings_corrupt(damage):
    slot = bytearray(settings_slot(quick_values()))
    if damage == "a bit":
        slot[100] ^= 1
    data = {"a bit": bytes(slot), "cut short": bytes(slot[:-50]), "not settings at all": b"\xff" * 300}[damage]
    with make_box(applied=False, overlay={"settings.a": data}) as box, Host(box) as host:
        without_rig(host, box)
    with make_box(overlay={"settings.b": data}) as box, Host(box) as host:  # the other slot is whole
        host.ride(1)
        assert host.waits == "STOP_TEST" and host.get("rig") == b"trike"


def test_settings_of_a_newer_version():
    newer = quick_values().to_blob() + b"\x07\x00"
    with make_box(applied=False, overlay={"settings.a": slot_of(newer)}) as box, Host(box) as host:
        without_rig(host, box)


def slot_of(blob):
    """A slot with this content, its CRC right."""
    import binascii
    import struct

    data = struct.pack("<4sIH", b"BXS1", 1, len(blob)) + blob
    return data + struct.pack("<I", binascii.crc32(data))


@pytest.mark.parametrize("clock", ["ticks_us", "ticks_ms"])
@at("arming", "pulling away", "full thrust", but={m: "as full thrust" for m in ("ready", "cruise", "cutback")})
def test_clock_wraps(moment, clock):
    """The counters pass their end half a second after the strike, in which nothing else happens."""
    with Run(moment, rises=True) as run:
        run.strike(lambda box: None, seconds=0.1)
        at_us = us(run.box) + 400_000
    ticks = 1 << 30 if clock == "ticks_us" else (1 << 30) * 1000
    with Run(moment, rises=True, ticks_base_us=ticks - at_us) as run:
        before = run.host.state
        run.strike(lambda box: None, seconds=1.2)
        assert us(run.box) > at_us + 300_000
        assert run.host.state == ("READY" if before == "LOCKED" else before)
        assert run.host.status.overruns == 0 and not run.host.events_of("OVERRUN")
        for side in SIDES:
            rises = [rise for rise, _ in run.box.pulses(side)]
            assert {b - a for a, b in zip(rises, rises[1:], strict=False)} == {FRAME_US}


@pytest.mark.parametrize("path", ["core/controller.py", "drivers/pulse.py", "box.py"])
def test_start_up_that_crashes(path):
    with make_box(overlay={path: DAMAGED}) as box, Host(box) as host:
        box.move_lever(1000)
        arm(box)
        host.ride(3)
        assert box.pulses(0) == box.pulses(1) == [] and box.resets == []
        assert "NO START" in " ".join(box.screen_text()) and b"SyntaxError" in host.raw

