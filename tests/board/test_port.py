"""The port: whatever comes in, and whoever does not read what goes out, the rider notices nothing."""

import asyncio
import random
import struct
import zlib

import pytest
from bench_host import FRAME_US, IDLE_US, Host, above_idle, arm, make_box, us

from barbox.errors import BoxError
from barbox.link.client import Client, Refused
from barbox.link.serial import SerialLink
from barbox.sim.board import LEFT
from shared_proto import frames, messages, states
from shared_proto.settings import ROWS, SETTINGS


def frame_by_hand(body: bytes) -> bytes:
    """SLIP (RFC 1055) around the body and its CRC-32/ISO-HDLC, without the project's own encoder."""
    raw = body + struct.pack("<I", zlib.crc32(body))
    out = bytearray(b"\xc0")
    for byte in raw:
        out += {0xC0: b"\xdb\xdc", 0xDB: b"\xdb\xdd"}.get(byte, bytes([byte]))
    return bytes(out + b"\xc0")


def driving(box, host, lever_pm=600):
    host.ride(0.5)
    arm(box)
    box.move_lever(lever_pm)
    host.ride(2.5)
    assert host.state == "DRIVING" and above_idle(box, LEFT, us(box) - 2 * FRAME_US)


NOISE_US = 1  # of the pulse, with the lever held still


def steady(box, since_us, width):
    """Pulses of one width, but for the lever's noise, without a gap."""
    made = [(rise, w) for rise, w in box.pulses(LEFT) if rise > since_us]
    assert made and all(abs(w - width) <= NOISE_US for _, w in made)
    assert {b[0] - a[0] for a, b in zip(made, made[1:], strict=False)} == {FRAME_US}


def get_ramp(number):
    return messages.SETTING_GET.pack(number, ROWS["ramp_up_ms"], 0)


def test_a_frame_made_by_hand_is_answered():
    with make_box() as box, Host(box) as host:
        host.ride(0.5)
        host.send(frame_by_hand(get_ramp(0xC0DB)))  # both characters that SLIP escapes
        assert host.wait_for(0xC0DB).value == struct.pack("<H", 2000)


def nothing(rng):
    good = frame_by_hand(get_ramp(7777))
    return {
        "ctrl-c": b"\x03" * 200,
        "ctrl-a, ctrl-d": b"\x01\x04\x02\x03" * 20,
        "zeros": bytes(700),
        "frame ends": b"\xc0" * 300,
        "noise": rng.randbytes(900),
        "no end": b"x" * 5000,
        "oversized": b"\xc0" + b"y" * 3000 + b"\xc0",
        "torn": good[: len(good) // 2],
        "tail of a frame": good[len(good) // 2 :],
        "one bit wrong": good[:4] + bytes([good[4] ^ 1]) + good[5:],
        "escape cut off": b"\xc0\x05\xdb\xc0",
        "two interleaved": bytes(b for pair in zip(good, frame_by_hand(get_ramp(7778)), strict=False) for b in pair),
        "empty body": frame_by_hand(b""),
        "short body": frame_by_hand(b"\x05"),
        "a message of the box": frame_by_hand(messages.DONE.pack(7)),
        "a kind of a newer version": frame_by_hand(bytes([200]) + bytes(60)),
        "a longer tail": frame_by_hand(get_ramp(7779) + b"\x00" * 50),
    }


@pytest.mark.parametrize("what", nothing(random.Random(1)))
def test_what_is_no_request_is_dropped_and_the_next_is_answered(what):
    data = nothing(random.Random(1))[what]
    with make_box() as box, Host(box) as host:
        driving(box, host)
        width, begun_us = box.pulse_us(LEFT), us(box) + FRAME_US
        for n in range(3):
            host.send(data)
            host.ride(0.3)
            # A frame that was cut off swallows nothing: each begins with an END as well.
            host.send(frame_by_hand(get_ramp(500 + n)))
            assert host.wait_for(500 + n).value == struct.pack("<H", 2000)
        steady(box, begun_us, width)
        assert host.state == "DRIVING" and host.bad == 0
        assert box.resets == [] and host.status.overruns == 0


def test_a_flood_of_requests_costs_nothing_but_time():
    with make_box() as box, Host(box) as host:
        driving(box, host)
        width, begun_us = box.pulse_us(LEFT), us(box) + FRAME_US
        for n in range(60):
            host.send(b"".join(frame_by_hand(get_ramp(1000 + 10 * n + k)) for k in range(10)))
            host.ride(0.05, slice_s=0.05)
        host.ride(1)
        steady(box, begun_us, width)
        assert host.state == "DRIVING" and box.resets == [] and host.status.overruns == 0
        assert len(host._answers) == 600


def test_a_request_that_arrives_byte_by_byte():
    with make_box() as box, Host(box) as host:
        host.ride(0.5)
        for byte in frame_by_hand(get_ramp(44)):
            host.send(bytes([byte]))
            host.ride(0.03, slice_s=0.03)
        assert host.wait_for(44).value == struct.pack("<H", 2000)


IN_THE_BOARD = 256 + 64  # bytes: the FIFO, and the packet offered


@pytest.mark.parametrize("phase_ms", [0, 7, 23, 41, 66, 88])
def test_a_host_that_stops_reading_holds_nothing_up(phase_ms):
    """At any phase of the stream, with requests coming in all the while."""
    with make_box() as box, Host(box) as host:
        driving(box, host)
        box.advance(phase_ms / 1000)
        width, begun_us = box.pulse_us(LEFT), us(box) + FRAME_US
        heard = host.status
        box.stop_reading_port()
        for n in range(100):
            host.send(b"".join(frame_by_hand(get_ramp(1000 + 10 * n + k)) for k in range(10)))
            box.advance(0.1)
        steady(box, begun_us, width)
        assert box.port.waits_us == []
        assert box.port.pending <= IN_THE_BOARD
        box.read_port_again()
        host.ride(2)
        assert host.state == "DRIVING" and box.resets == []
        assert host.status.overruns == 0
        assert host.status.time_ms - heard.time_ms == pytest.approx(12_000, abs=200)
        assert host.status.number - host.statuses[-2].number in (1, 2)  # the stream has resumed; events count too
        lost = [b.number - a.number for a, b in zip(host.statuses, host.statuses[1:], strict=False)]
        assert max(lost) > 90  # and what was dropped in between shows
        host.send(frame_by_hand(get_ramp(45)))
        assert host.wait_for(45).value == struct.pack("<H", 2000)
        assert box.port.waits_us == [] and host.bad == 0


def test_a_host_that_reads_in_fits_holds_nothing_up():
    """A port that is full, has a little room, is full again."""
    with make_box() as box, Host(box) as host:
        driving(box, host)
        width, begun_us = box.pulse_us(LEFT), us(box) + FRAME_US
        for n in range(60):
            box.stop_reading_port()
            box.advance(0.35 + 0.01 * (n % 7))
            del box.port._backlog[: 20 + n % 40]  # a little of it is taken
            box.advance(0.05)
        box.read_port_again()
        steady(box, begun_us, width)
        assert box.port.waits_us == []
        box.port.reading = True
        box.port._backlog.clear()
        host.ride(1)
        assert host.state == "DRIVING" and box.resets == []
        assert box.port.waits_us == []


WRITES_TOO_MUCH = b"""
import select, sys, time
out = sys.stdout.buffer
poll = select.poll()
poll.register(out, select.POLLOUT)
sys.stdin.buffer.read(1)
time.sleep_ms(50)
out.write(bytes(300))
room = len(poll.poll(0))
began_ms = time.ticks_ms()
out.write(bytes(64))
took_ms = time.ticks_ms() - began_ms
began_ms = time.ticks_ms()
again = len(poll.poll(0))
out.write(b"x")
more_ms = time.ticks_ms() - began_ms
time.sleep_ms(3000)
print("room", room, again, "waited", took_ms, more_ms)
"""


def test_the_simulated_port_waits_as_the_board_does():
    """Room for 20 bytes is room; 64 wait half a second for more, and once more for the rest; one byte waits once."""
    with make_box(overlay={"main.py": WRITES_TOO_MUCH}) as box, Host(box) as host:
        box.advance(0.5)
        box.stop_reading_port()
        host.send(b"g")
        box.advance(3)
        assert box.port.pending == IN_THE_BOARD
        assert [round(us, -4) for us in box.port.waits_us] == [500_000] * 3
        box.read_port_again()
        box.advance(4)
        host.read()
        words = host.raw[host.raw.index(b"room") :].split()
        assert words[1:3] == [b"1", b"0"] and [round(int(words[n]), -1) for n in (4, 5)] == [1000, 500]


def test_the_cable_pulled_and_put_back_in_mid_ride():
    with make_box() as box, Host(box) as host:
        driving(box, host)
        width, begun_us = box.pulse_us(LEFT), us(box) + FRAME_US
        before = host.status
        host.send(frame_by_hand(get_ramp(46))[:7])  # in the middle of a request, too
        box.unplug_cable()
        host.close()
        box.advance(30)
        steady(box, begun_us, width)
        box.plug_in_cable()
        host.open()
        host.ride(1)
        assert host.state == "DRIVING" and host.status.overruns == 0 and box.resets == []
        assert host.status.time_ms - before.time_ms == pytest.approx(31_000, abs=200)
        host.send(frame_by_hand(get_ramp(47)))
        assert host.wait_for(47).value == struct.pack("<H", 2000)


def test_a_replayed_commit_is_done_once():
    with make_box() as box, Host(box) as host:
        host.ride(0.5)
        assert host.hello().settings_seq == 1
        put = SETTINGS[ROWS["ramp_up_ms"]].pack(900)
        for _ in range(3):
            answer = host.request(messages.SETTING_PUT, ROWS["ramp_up_ms"], 0, put, number=60)
            assert answer.kind == messages.DONE.kind
        for _ in range(3):
            assert host.request(messages.SETTING_COMMIT, number=61).kind == messages.DONE.kind
        assert len(host.events_of("SETTINGS")) == 1
        assert host.get("ramp_up_ms") == 900
        assert host.hello().settings_seq == 2


def test_settings_are_refused_unless_locked_and_within_their_limits():
    with make_box() as box, Host(box) as host:
        host.ride(0.5)
        out_of_range = struct.pack("<H", 20001)
        answer = host.request(messages.SETTING_PUT, ROWS["ramp_up_ms"], 0, out_of_range)
        assert (answer.kind, answer.reason) == (messages.REFUSED.kind, states.REFUSE_OUT_OF_RANGE)
        assert host.put("ramp_up_ms", 900).kind == messages.DONE.kind
        arm(box)
        for lever_pm in (0, 500):  # READY, DRIVING
            box.move_lever(lever_pm)
            host.ride(1)
            answer = host.put("ramp_up_ms", 1000)
            assert (answer.kind, answer.reason) == (messages.REFUSED.kind, states.REFUSE_NOT_LOCKED)
            answer = host.request(messages.SETTING_COMMIT)
            assert (answer.kind, answer.reason) == (messages.REFUSED.kind, states.REFUSE_NOT_LOCKED)
        box.open_stop_loop()  # HELD
        host.ride(0.5)
        assert host.put("ramp_up_ms", 1000).reason == states.REFUSE_NOT_LOCKED
        assert host.get("ramp_up_ms") == 2000
        assert not host.events_of("SETTINGS")


def test_more_sides_than_the_box_started_with_ask_for_a_restart():
    with make_box(applied=False) as box, Host(box) as host:
        host.ride(0.5)
        host.put("sides", 3)
        assert host.request(messages.SETTING_COMMIT).kind == messages.DONE.kind
        host.ride(3)
        assert box.resets == [] and host.state == "LOCKED"
        steady(box, 1_000_000, IDLE_US)
        box.power_off()
        box.power_on()
        host.ride(1)
        assert host.get("sides") == 3 and host.status.pulse_us[2] == IDLE_US


def test_settings_put_in_force_change_the_ramp():
    with make_box() as box, Host(box) as host:
        host.ride(0.5)
        host.put("ramp_up_ms", 500)
        host.request(messages.SETTING_COMMIT)
        arm(box)
        moved_us = us(box)
        box.move_lever(1000)
        host.ride(1)
        full = [rise for rise, width in box.pulses(LEFT) if width == 2000]
        assert 480_000 <= full[0] - moved_us <= 560_000


@pytest.mark.parametrize("hz", [1, 3, 7, 10, 25])
def test_the_stream_has_the_rate_that_is_set(hz):
    with make_box() as box, Host(box) as host:
        host.ride(0.5)
        host.put("stream_hz", hz)
        host.request(messages.SETTING_COMMIT)
        host.ride(2)
        begun = len(host.statuses)
        host.ride(10)
        assert len(host.statuses) - begun == pytest.approx(10 * hz, rel=0.05, abs=1)
        numbers = [s.number for s in host.statuses[begun:]]
        assert {b - a for a, b in zip(numbers, numbers[1:], strict=False)} == {1}


def test_no_virtual_time_passes_while_a_thread_closes_the_port():
    async def close_slowly(link):
        await link.close()
        link.closing = True
        for _ in range(500):
            await asyncio.sleep(0)
        link.closing = False

    async def session():
        with make_box() as box:
            link = SerialLink(box.port.path)
            await box.while_waiting(link.open(), link)
            begun_s = box.now_s
            await box.while_waiting(close_slowly(link), link)
            return box.now_s - begun_s

    assert asyncio.run(session()) <= 0.02


def test_the_clients_own_way_through_it():
    """The asyncio client over pyserial: identity, stream, settings, refusal, and a cable that is pulled."""

    async def session():
        with make_box() as box:
            box.advance(1)
            link = SerialLink(box.port.path)
            client = Client(link, silence_s=None)
            identity = await box.while_waiting(client.open(), link)
            assert identity.rig == "trike"
            stream = client.subscribe()
            await box.ride(2, link)
            records = stream.take()
            assert sum(r.kind == messages.STATUS.kind for r in records) == pytest.approx(20, abs=2)
            assert client.missed == client.bad_frames == 0
            await box.while_waiting(client.put_setting(ROWS["ramp_up_ms"], 0, 1500), link)
            await box.while_waiting(client.commit(), link)
            assert await box.while_waiting(client.get_setting(ROWS["ramp_up_ms"]), link) == 1500
            arm(box)
            with pytest.raises(Refused) as refused:
                await box.while_waiting(client.put_setting(ROWS["ramp_up_ms"], 0, 1600), link)
            assert refused.value.reason == states.REFUSE_NOT_LOCKED
            stream.take()
            box.unplug_cable()
            box.advance(0.1)
            with pytest.raises(BoxError, match="unplugged"):
                for _ in range(1000):
                    await stream.next(0.01)
            await client.close()
            assert {width for _, width in box.pulses(LEFT)} == {IDLE_US}

    asyncio.run(session())


def test_our_encoder_and_the_one_made_by_hand_agree():
    rng = random.Random(2)
    for _ in range(200):
        body = rng.randbytes(rng.randint(1, frames.BODY_MAX))
        assert frames.encode(body) == frame_by_hand(body)
