"""The ride file and the recorder: what goes in comes out, and what is damaged is told."""

import asyncio
import binascii
import json
import struct

import numpy as np
import pytest
from fake_box import FakeBox, MemoryLink, body_of
from hypothesis import given
from hypothesis import strategies as st

from barbox import proto
from barbox.errors import UserError
from barbox.link.client import Client
from barbox.records import Identity
from barbox.rides import file
from barbox.rides.record import Recorder
from shared_proto import messages, settings, states

IDENTITY = proto.unpack(body_of(messages.IDENTITY, 1, **FakeBox().identity))
assert isinstance(IDENTITY, Identity)
HEADER = file.header(IDENTITY, settings.Values(), 1_700_000_000)


def bodies(seconds=5):
    out = []
    for n in range(seconds * 10):
        pulse = (1000 + n, 1001 + n, 0, 0)
        out.append(body_of(messages.STATUS, len(out), time_ms=100 * n, pulse_us=pulse, sense_mv=(n,) * 8))
        if n % 10 == 3:
            out.append(body_of(messages.EVENT, len(out), time_ms=100 * n + 1, event=states.EVENT_STATE, a=n))
    return out


def write(path, records, footer=None, **options):
    with file.RideWriter(path, HEADER, **options) as writer:
        for body in records:
            writer.add(body)
        writer.close(footer)
    return path


def test_what_goes_in_comes_out(tmp_path):
    sent = bodies()
    ride = file.read(write(tmp_path / "a.ride", sent, {"ended": "by hand"}))
    assert ride.status.tobytes() + ride.events.tobytes() == b"".join(
        [b for b in sent if b[0] == messages.STATUS.kind] + [b for b in sent if b[0] == messages.EVENT.kind]
    )
    assert (len(ride.status), len(ride.events)) == (50, 5)
    np.testing.assert_array_equal(ride.status["pulse_us"][:, 1], 1001 + np.arange(50))
    assert ride.status["sense_mv"].shape == (50, 8)
    assert ride.header["identity"]["rig"] == "trike"
    assert ride.header["started_unix_s"] == 1_700_000_000
    assert ride.settings("sides") == 2 and ride.settings("side.name")[:2] == ["left", "right"]
    assert (ride.footer, ride.notes) == ({"ended": "by hand"}, [])


def test_same_records_same_bytes(tmp_path):
    one, two = (write(tmp_path / name, bodies()).read_bytes() for name in ("a.ride", "b.ride"))
    assert one == two


def test_layout_as_documented(tmp_path):
    data = write(tmp_path / "a.ride", bodies(1)[:2]).read_bytes()
    magic, head, rest = data.split(b"\n", 2)
    assert magic == b"barbox ride 1"
    assert json.loads(head)["protocol"] == [messages.MAJOR, messages.MINOR]
    kind, count, length, crc = struct.unpack("<IIII", rest[:16])
    assert (kind, count, length) == (messages.STATUS.kind, 2, 2 * messages.STATUS.size)
    assert crc == binascii.crc32(rest[:12] + rest[16 : 16 + length])


@given(cut=st.integers(0, 3000))
def test_a_cut_anywhere_keeps_what_is_before_it(tmp_path_factory, cut):
    folder = tmp_path_factory.getbasetemp() / "cut"
    folder.mkdir(exist_ok=True)
    whole = folder / "whole.ride"
    if not whole.exists():
        write(whole, bodies())
    data = whole.read_bytes()
    start = data.index(b"\n", 20) + 1
    cut = min(start + cut, len(data) - 1)
    (folder / "cut.ride").write_bytes(data[:cut])
    ride, full = file.read(folder / "cut.ride"), file.read(whole)
    n = len(ride.status)
    assert ride.status.tobytes() == full.status[:n].tobytes()
    assert "the recording was not ended properly" in ride.notes
    kept = n * messages.STATUS.size + len(ride.events) * messages.EVENT.size
    assert kept + 13 * 16 + 11 * messages.STATUS.size >= cut - start  # at most one chunk is lost
    at_chunk = len(ride.notes) == 1
    assert at_chunk or "cut short" in ride.notes[0]


def test_a_damaged_chunk_is_left_out_and_told(tmp_path):
    path = write(tmp_path / "a.ride", bodies())
    data = bytearray(path.read_bytes())
    data[data.index(b"\n", 20) + 1 + 16 + 50] ^= 1
    path.write_bytes(data)
    ride = file.read(path)
    assert ride.notes == ["1 damaged part was left out"]
    assert 0 < len(ride.status) < 50


def test_until_closed_it_has_another_name(tmp_path):
    path = tmp_path / "a.ride"
    writer = file.RideWriter(path, HEADER)
    for body in bodies():
        writer.add(body)
    assert not path.exists()
    ride = file.read(writer.part)  # what a crash would leave
    assert 30 <= len(ride.status) < 50
    assert ride.notes == ["the recording was not ended properly"]
    writer.close()
    writer.close()
    assert path.exists() and not writer.part.exists()


def test_an_error_while_recording_still_completes_the_file(tmp_path):
    path = tmp_path / "a.ride"
    with pytest.raises(ZeroDivisionError), file.RideWriter(path, HEADER) as writer:
        writer.add(bodies()[0])
        raise ZeroDivisionError
    assert len(file.read(path).status) == 1


def test_a_ride_without_records(tmp_path):
    ride = file.read(write(tmp_path / "a.ride", []))
    assert (len(ride.status), len(ride.events), ride.notes) == (0, 0, [])
    assert ride.status.dtype == proto.dtype(messages.STATUS)


def test_nothing_is_overwritten_unasked(tmp_path):
    path = write(tmp_path / "a.ride", [])
    with pytest.raises(UserError, match="--force"):
        file.RideWriter(path, HEADER)
    assert len(file.read(write(path, bodies(), force=True)).status) == 50
    with pytest.raises(UserError, match="cannot be written"):
        file.RideWriter(tmp_path / "none" / "a.ride", HEADER)


def test_only_status_and_event_are_kept(tmp_path):
    with file.RideWriter(tmp_path / "a.ride", HEADER) as writer:
        for body in (messages.DONE.pack(1), bodies()[0][:-1]):
            with pytest.raises(ValueError, match="neither"):
                writer.add(body)
        writer.add(bodies()[0] + b"tail of a newer version")
    assert len(file.read(tmp_path / "a.ride").status) == 1


def test_fields_of_another_minor_version_are_read_by_name(tmp_path):
    head = json.loads(json.dumps(HEADER))
    head["dtypes"]["event"].append(["future", "<u2"])
    data = b"barbox ride 1\n" + json.dumps(head).encode() + b"\n"
    record = body_of(messages.EVENT, 1, a=7) + b"\x05\x00"
    chunk = struct.pack("<III", messages.EVENT.kind, 1, len(record))
    (tmp_path / "a.ride").write_bytes(
        data + chunk + struct.pack("<I", binascii.crc32(chunk + record)) + record
    )
    events = file.read(tmp_path / "a.ride").events
    assert (events["a"][0], events["future"][0]) == (7, 5)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "not a ride"),
        (b"PK\x03\x04 something", "not a ride"),
        (b"barbox ride x\n{}\n", "not a ride"),
        (b"barbox ride 2\n{}\n", "format 2, this program reads up to 1"),
        (b"barbox ride 1\n{}\n", "damaged header"),
        (b"barbox ride 1\n{", "damaged header"),
        (b'barbox ride 1\n{"dtypes":{"status":[["a","O"]],"event":[]}}\n', "damaged header"),
        (b'barbox ride 1\n{"dtypes":{"status":[["a","<u2",-1]],"event":[]}}\n', "damaged header"),
    ],
)
def test_what_is_no_ride(tmp_path, data, words):
    path = tmp_path / "a.ride"
    path.write_bytes(data)
    with pytest.raises(UserError, match=words) as told:
        file.read(path)
    assert str(path) in str(told.value)
    with pytest.raises(UserError, match="cannot be read"):
        file.read(tmp_path / "none.ride")


def test_recorder_counts_what_is_missing(tmp_path):
    async def go():
        box = FakeBox()
        async with Client(MemoryLink(box), timeout_s=0.01, silence_s=None) as client:
            box.status()
            recorder = Recorder(client, tmp_path / "a.ride", 42, seed=7)
            await recorder.start()
            for n in range(10):
                box.count += n == 5  # one record lost on the way
                box.status(time_ms=100 * n)
            box.event(time_ms=999)
            box.send(b"\xc0noise\xc0")
            await recorder.run(for_s=0.02)
            recorder.finish("by hand")
            recorder.finish("twice")

    asyncio.run(asyncio.wait_for(go(), 5))
    ride = file.read(tmp_path / "a.ride")
    assert (len(ride.status), len(ride.events)) == (10, 1)
    assert (ride.header["started_unix_s"], ride.header["seed"]) == (42, 7)
    assert ride.footer == {
        "ended": "by hand",
        "status": 10,
        "events": 1,
        "losses": {"bad_frames": 1, "dropped": 0, "malformed": 0, "missed": 1, "restarts": 0},
    }


def test_recorder_pumped_by_a_scenario(tmp_path):
    async def go():
        box = FakeBox()
        async with Client(MemoryLink(box), silence_s=None) as client:
            recorder = Recorder(client, tmp_path / "a.ride", None, room=2)
            await recorder.start()
            for n in range(6):
                box.status(time_ms=n)
                if n < 3:
                    await asyncio.sleep(0)
                    assert recorder.pump() == 1
            await asyncio.sleep(0)
            assert recorder.counts == (3, 0)
            recorder.finish("end of the scenario")

    asyncio.run(asyncio.wait_for(go(), 5))
    ride = file.read(tmp_path / "a.ride")
    assert ride.status["time_ms"].tolist() == [0, 1, 2, 4, 5]
    assert ride.footer["losses"]["dropped"] == 1
