"""Faults on flash: HELD by a cause, then the power goes, and the box still tells; nothing is written above idle."""

import asyncio
import json

import pytest
from bench_host import IDLE_US, Host, arm, make_box, us
from overlays import failing_house, failing_step, patched

from barbox import faults
from barbox.cli import faults as command
from barbox.demo.ride import example_rig
from barbox.link.client import Client
from barbox.link.serial import SerialLink
from barbox.sim.board import LEFT, RIGHT, SimBoard
from shared_proto import messages, states

SETTLED_S = 2.5  # the log is written once the box has been at idle for a second


def driving(box, per_mille=600):
    box.advance(0.7)
    arm(box)
    box.move_lever(per_mille)
    box.advance(1.5)


def restart(box):
    box.power_off()
    box.advance(0.5)
    box.power_on()
    box.advance(0.5)


def read(box):
    """Counters and events, by the client that `barbox faults` uses."""

    async def go():
        link = SerialLink(box.port.path)
        client = Client(link, timeout_s=60, silence_s=None)
        await box.while_waiting(client.open(), link)
        try:
            return await box.while_waiting(faults.fetch(client), link)
        finally:
            await client.close()

    return asyncio.run(go())


def held(found):
    return {states.name(states.CAUSES, n): count for n, count in enumerate(found.held) if count}


def test_held_by_its_cause_is_told_after_the_power_went(capsys, monkeypatch):
    with make_box() as box:
        driving(box)
        box.cut_lever_wire()
        box.advance(SETTLED_S)
        restart(box)
        found, stored = read(box)
        assert held(found) == {"LEVER_RANGE": 1}
        assert (found.boots, found.since_boot) == (2, 1)
        assert found.unseen == found.last_cause == states.CAUSE_LEVER_RANGE
        assert [s.text() for s in stored if s.boot == 1 and s.event.event == states.EVENT_STATE] == [
            "now HELD: " + states.words(states.CAUSES, states.CAUSE_LEVER_RANGE)
        ]
        # The command itself, with what came over the link.
        monkeypatch.setattr(command, "read", lambda url, clear: _done((found, stored)))
        command.command.callback(False, None, False)
        said = capsys.readouterr().out
        assert "1 x held: lever signal outside its window" in said and "start 2 of the box" in said
        command.command.callback(False, None, True)
        assert json.loads(capsys.readouterr().out)["held"]["LEVER_RANGE"] == 1


async def _done(value):
    return value


def test_a_step_that_failed_with_the_button_held_is_told_after_the_power_went():
    with make_box(overlay=failing_step(6000)) as box:
        driving(box)
        box.press_arm_button()
        assert box.pulse_us(LEFT) > IDLE_US
        box.advance(5)
        box.release_arm_button()
        restart(box)
        assert held(read(box)[0]) == {"STEP_FAILED": 1}


def test_the_rider_is_told_at_the_next_start_until_the_box_is_armed():
    with SimBoard.from_rig(example_rig(), errors=False, boot_s=0.1) as box:
        box.advance(1)
        box.arm()
        box.cut_lever_wire()
        box.advance(SETTLED_S)
        box.mend_lever()
        restart(box)
        seen = set()
        for _ in range(26):
            box.advance(0.5)
            seen.add(" ".join(box.screen_text()))
        told = [text for text in seen if text.startswith("LAST STOP")]
        assert told and "lever signal" in told[0]
        box.arm()
        box.advance(1)
        assert "LAST" not in " ".join(box.screen_text())
        restart(box)  # seen and done with
        for _ in range(16):
            box.advance(0.5)
            assert "LAST" not in " ".join(box.screen_text())


def test_a_rider_who_stops_and_switches_off_is_not_nagged_but_it_is_counted():
    with make_box() as box, Host(box) as host:
        driving(box)
        box.open_stop_loop()
        box.advance(SETTLED_S)
        restart(box)
        box.close_stop_loop()
        host.ride(2)
        assert "LAST_STOP" not in host.warnings
        host.close()
        assert held(read(box)[0]) == {"STOP_OPEN": 1}


def test_a_silent_task_is_named_after_the_watchdog_has_reset():
    overlay = failing_house(4000, "while True: await asyncio.sleep_ms(10_000)")
    with make_box(overlay=overlay) as box:
        driving(box)
        box.advance(6)
        assert [cause for _, cause in box.resets] == ["watchdog"]
        box.advance(1)
        found, stored = read(box)
        assert found.resets[states.RESET_WATCHDOG] == 1
        assert found.unseen == 0x80 | states.CAUSE_TASK_SILENT
        assert found.errors[states.PART_HOUSE] == 1
        boot = next(s for s in stored if s.event.event == states.EVENT_BOOT and s.event.a == states.RESET_WATCHDOG)
        assert boot.text().endswith("before: HELD, a task of the box stopped")


def test_a_stalled_processor_tells_what_it_was_doing():
    with make_box() as box:
        driving(box)
        box.stall_processor(3)
        box.advance(4.5)
        assert [cause for _, cause in box.resets] == ["watchdog"]
        found, stored = read(box)
        assert found.unseen == 0x80
        assert stored[-1].text() == "the box started: the watchdog reset a stalled box; before: DRIVING"


# A new board's first writes, and later ones: littlefs then compacts its directory, with sector erases.
@pytest.mark.parametrize("runs_before", [0, 3])
def test_a_cut_at_any_flash_operation_leaves_the_counts_before_or_after(runs_before):
    outcomes = set()
    for operation in range(40):
        with make_box() as box:
            for _ in range(runs_before):
                box.advance(10)
                restart(box)
            box.advance(10)  # written what this start brought
            driving(box)
            box.cut_lever_wire()
            box.cut_power_at_flash_operation(operation)
            box.advance(SETTLED_S)
            cut = [cause for _, cause in box.resets]
            box.mend_lever()
            restart(box)
            found, stored = read(box)
            numbers = [s.number for s in stored]
            assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
            assert held(found) in ({}, {"LEVER_RANGE": 1}), operation
            assert any(s.event.event == states.EVENT_STATE for s in stored) == bool(held(found))
            assert runs_before + 2 <= found.boots <= runs_before + 3
            outcomes.add((bool(cut), bool(held(found))))
            if not cut:
                assert held(found) == {"LEVER_RANGE": 1}
                break
    else:
        raise AssertionError("a write takes more than 40 flash operations")
    assert (True, False) in outcomes and (False, True) in outcomes


def test_nothing_is_written_above_idle_nor_while_armed():
    """Faults come at every stage of a ride; each flash operation is held against the pulses and the states."""
    armed = []  # (from, to) in us: armed at both ends

    def ride(seconds):
        for _ in range(round(seconds / 0.1)):
            was, from_us = host.statuses and host.state, us(box)
            host.ride(0.1)
            if was in ("READY", "DRIVING") and host.state in ("READY", "DRIVING"):
                armed.append((from_us - 100_000, us(box) - 100_000))  # a status is at most so old

    with make_box() as box, Host(box) as host:
        ride(3)
        for _ in range(3):
            arm(box)
            ride(1.5)  # READY
            box.move_lever(700)
            ride(3)
            box.cut_sense_wire(1)
            ride(3)
            box.mend_sense_wire(1)
            box.stall_processor(0.3)
            ride(2)
            box.move_lever(0)
            ride(2)  # READY again, with much to write
            box.open_stop_loop()
            ride(SETTLED_S)
            box.close_stop_loop()
            box.press_arm_button()
            ride(0.3)
            box.release_arm_button()
            ride(3)
        flash = [(begin, begin + took) for begin, took in box.flash_times]
        assert len(flash) > 10 and len(armed) > 200
        thrust = [
            (rise - 20_000, rise + width)
            for side in (LEFT, RIGHT)
            for rise, width in box.pulses(side)
            if width > IDLE_US
        ]
        assert len(thrust) > 1000
        for begin, end in flash:
            assert not any(begin < late and end > early for early, late in armed + thrust), (begin, end)


def test_a_full_flash_stops_no_ride_and_is_told():
    full = patched(
        "services/slots.py", r"(    def commit\(self, \*parts\):\n        \"\"\".*?\"\"\"\n)",
        r"\1        if self._magic == b'BXL1':\n            raise OSError(28)\n",
    )  # fmt: skip
    with make_box(overlay=full) as box:
        box.advance(3)
        driving(box)
        assert box.pulse_us(LEFT) > IDLE_US
        box.move_lever(0)
        box.advance(1)
        found, stored = read(box)
        assert found.write_errors >= 1 and found.unsaved == 1
        assert stored[0].event.event == states.EVENT_BOOT


def test_a_box_that_resets_again_and_again_soon_writes_no_more():
    with make_box() as box:
        for _ in range(12):
            box.power_off()
            box.power_on()
            box.advance(5)
        begun = len(box.flash_times)
        for _ in range(4):
            box.power_off()
            box.power_on()
            box.advance(5)
        assert len(box.flash_times) == begun > 0
        box.advance(10)
        assert len(box.flash_times) > begun


def test_clear_only_while_locked_and_it_lasts():
    with make_box() as box, Host(box) as host:
        driving(box)
        refused = host.request(messages.FAULTS_GET, 1)
        assert (refused.kind, refused.reason) == (messages.REFUSED.kind, states.REFUSE_NOT_LOCKED)
        box.cut_lever_wire()
        host.ride(SETTLED_S)
        box.mend_lever()
        restart(box)
        host.ride(0.5)
        before = host.request(messages.FAULTS_GET, 1)
        assert before.held[states.CAUSE_LEVER_RANGE] == 1
        host.close()
        restart(box)
        found, stored = read(box)
        assert held(found) == {} and found.since_boot == 2 and found.boots == 3
        assert [s.event.event for s in stored] == [states.EVENT_BOOT]
