"""Link: whatever comes in on the cable, or no longer does, thrust stays as it was and nothing is armed."""

import asyncio
import random

import pytest
from bench_host import FRAME_US, arm, make_box, us
from moments import ALL, SIDES, Run, at

from barbox.errors import BoxError
from barbox.link.serial import SerialLink
from barbox.sim.board import LEFT
from barbox.sim.firmware import board_files
from shared_proto import frames, messages
from shared_proto.settings import ROWS, SETTINGS

SOME = ("arming", "pulling away", "full thrust")
REST = {m: "as full thrust" for m in ("ready", "cruise", "cutback")}


def goes_on(run, before, seconds=1.0):
    """The ride is what it was: state, frames without a gap, nothing late, nothing started again."""
    box = run.box
    run.ride(seconds)
    assert run.host.state == ("READY" if before == "LOCKED" else before)
    assert box.resets == [] and run.host.status.overruns == 0
    for side in SIDES:
        rises = [rise for rise, _ in box.pulses(side)]
        assert {b - a for a, b in zip(rises, rises[1:], strict=False)} == {FRAME_US}


def strikes_in_vain(moment, action, seconds=1.0, **options):
    with Run(moment, rises=moment == "pulling away", **options) as run:
        before = run.host.state
        run.strike(lambda _: None, seconds=0.02)
        action(run)
        goes_on(run, before, seconds)


@at(*SOME, but=REST)
def test_garbage_partial_frames(moment):
    def babble(run):
        rng = random.Random(7)
        good = frames.encode(messages.SETTING_GET.pack(9999, ROWS["ramp_up_ms"], 0))
        for junk in (rng.randbytes(900), good[:7], good[7:], good[:4] + b"\xff" + good[5:], b"\xc0" * 300, b"x" * 3000):
            run.host.send(junk)
            run.ride(0.1)
            run.host.send(b"\xc0")
            assert run.host.get("ramp_up_ms") == 2000

    strikes_in_vain(moment, babble)


@at(*ALL)
def test_replayed_frames(moment):
    """Whatever the host has ever sent, sent again at another moment: it is answered, and arms or moves nothing."""
    values = SETTINGS[ROWS["ramp_up_ms"]].pack(700)
    recorded = [
        messages.HELLO.pack(1, messages.MAJOR, messages.MINOR),
        messages.SETTING_PUT.pack(2, ROWS["ramp_up_ms"], 0, values),
        messages.SETTING_COMMIT.pack(3),
    ]

    def replay(run):
        for _ in range(3):
            for body in recorded:
                run.host.send(frames.encode(body))
                run.ride(0.05)

    with Run(moment, rises=moment in ("pulling away", "arming")) as run:
        before = run.host.state
        run.strike(lambda _: None, seconds=0.02)
        replay(run)
        run.ride(1)
        assert run.box.resets == []
        if before == "LOCKED":  # allowed, as it was the first time; the press under way may have to be made again
            assert run.host.state in ("LOCKED", "READY") and run.host.get("ramp_up_ms") == 700
            assert not run.above_idle(0)
        else:
            assert run.host.state == before and run.host.get("ramp_up_ms") == 2000
            assert not run.host.events_of("SETTINGS")


@at(*SOME, but=REST)
def test_a_flood_of_frames(moment):
    def flood(run):
        for n in range(15):
            body = messages.SETTING_GET.pack(2000 + n, ROWS["ramp_up_ms"], 0)
            run.host.send(frames.encode(body) * 10)
            run.ride(0.05)

    strikes_in_vain(moment, flood)


@at(*SOME, but=REST)
def test_the_byte_0x03(moment):
    """The simulated board interrupts the program at this byte where the firmware has not turned that off."""
    strikes_in_vain(moment, lambda run: run.host.send(b"\x03" * 50 + b"\x01\x04\x03"), seconds=2.5)


@at(*SOME, but=REST)
def test_port_open_and_not_read(moment):
    def stop_reading(run):
        run.box.stop_reading_port()
        body = messages.SETTING_GET.pack(2000, ROWS["ramp_up_ms"], 0)
        for _ in range(50):
            run.host.send(frames.encode(body) * 10)
            run.box.advance(0.2)
        assert run.box.port.pending <= 256 + 64
        run.box.read_port_again()
        run.ride(0.5)
        assert run.box.port.waits_us == [] and run.host.get("ramp_up_ms") == 2000

    strikes_in_vain(moment, stop_reading, host=False)


@at(*SOME, but=REST)
def test_unplugged_in_the_middle_of_anything(moment):
    def pull(run):
        request = frames.encode(messages.SETTING_GET.pack(77, ROWS["ramp_up_ms"], 0))
        run.host.send(request[:6])
        run.box.unplug_cable()
        run.host.close()
        run.box.advance(3)
        run.box.plug_in_cable()
        run.host.open()
        run.ride(0.3)
        assert run.host.get("ramp_up_ms") == 2000

    strikes_in_vain(moment, pull, host=False)


def test_two_hosts_at_once():
    """The second is told that another program has the port; the first goes on."""

    async def session():
        with make_box() as box:
            box.advance(1)
            first = SerialLink(box.port.path)
            heard = bytearray()
            first.on_data = heard.extend
            await first.open()
            arm(box)
            box.move_lever(500)
            await box.ride(2, first)
            with pytest.raises(BoxError, match="port is busy"):
                await SerialLink(box.port.path).open()
            before = len(heard)
            await box.ride(1, first)
            assert len(heard) > before
            assert box.pulses(LEFT)[-1][1] > 1000 and us(box) - box.pulses(LEFT)[-1][0] <= 2 * FRAME_US
            await first.close()

    asyncio.run(session())


def test_a_stranger_on_ble():
    """There is no radio to talk to: no firmware file turns it on."""
    for path, content in board_files().items():
        for word in (b"import bluetooth", b"aioble", b"import network", b"cyw43"):
            assert word not in content, path

