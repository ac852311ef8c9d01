"""The commands that listen to a box: boxes, watch, record, against a box in memory."""

import asyncio
import json
import signal
import sys

import pytest
from fake_box import FakeBox, MemoryLink

from barbox.cli import main, record, watch
from barbox.errors import BoxError
from barbox.link import find
from barbox.link.client import Client
from barbox.rides import file
from shared_proto import messages, states

QUIET_MV = (messages.NOT_KNOWN_MV,) * 8


class Riding(FakeBox):
    """Answers, and sends the records of `script` once the host has read its settings."""

    def __init__(self, script):
        super().__init__(uncertainty_mv=60, side_uncertainty_mv=(60, 60, 0, 0), side_growth_mv=(160, 0, 0, 0))
        self.script = script
        put = self.values.put
        put("rig", b"trike")
        for n in range(4):
            put("sense.side", 1 + n // 2, n)
            put("sense.cells", (5, 10)[n % 2], n)
            put("sense.uncertainty_mv", 60, n)
        for side in range(2):
            put("side.cells", 10, side)


@pytest.fixture
def riding(monkeypatch):
    """Puts a box behind `open_box` of the commands; its script runs when the command subscribes."""

    def put(script, silence_s=None):
        box = Riding(script)

        async def open_box(url=None):
            client = Client(MemoryLink(box), timeout_s=0.05, silence_s=silence_s)
            await client.open()
            subscribe = client.subscribe

            def subscribed(room=1024):
                asyncio.get_running_loop().call_soon(script, box)
                return subscribe(room)

            monkeypatch.setattr(client, "subscribe", subscribed)
            return client

        for module in (watch, record):
            monkeypatch.setattr(module, "open_box", open_box)
        return box

    return put


def drive(box):
    volts = {"sense_mv": (19000, 38000, 18500, 37500) + QUIET_MV[4:]}
    sections = {"section_mv": (19000, 19000, 18500, 19000) + QUIET_MV[4:]}
    box.status(time_ms=60000, waits=states.WAIT_STOP_TEST, **volts, **sections)
    box.event(time_ms=60050, event=states.EVENT_STATE, a=states.DRIVING)
    for n in range(20):
        box.status(
            time_ms=60100 + 100 * n,
            state=states.DRIVING,
            lever_pm=500,
            demand_pm=423,
            pulse_us=(1423, 1424, 0, 0),
            limit=states.LIMIT_CUTBACK,
            limit_pm=430,
            warnings=states.WARN_LOW | states.WARN_CUTBACK,
            **volts,
            **sections,
        )
    box.status(
        time_ms=63000,
        state=states.HELD,
        cause=states.CAUSE_STOP_OPEN,
        sense_mv=QUIET_MV,
        section_mv=QUIET_MV,
        sense_fault=(states.SENSE_OPEN,) + (0,) * 7,
    )


def test_watch_in_plain_words(riding, capsys):
    riding(drive)
    assert main.run(["watch", "--for", "0.02"]) == 0
    out = capsys.readouterr().out
    lines = out.splitlines()
    figures = [text for text in lines if "demand" in text]
    assert len(figures) == 4  # 60.0, 61.0, 62.0 and 63.0 s of the box's time
    assert "1:01.0 DRIVING" in figures[1] and "lever  50.0 %  demand  42.3 %" in figures[1]
    assert "left 1423 us 38.00 V +/- 0.06 V (3.80 3.80 V a cell)" in figures[1]
    assert "right 1424 us 37.50 V +/- 0.06 V (3.70 3.80 V a cell)" in figures[1]
    assert "---- V (---- ---- V a cell)" in figures[3]
    assert "string voltages within 0.06 V (95 %), left 0.16 V more at 100 A" in out
    assert "1:00.0 * now DRIVING" in out
    for words in (
        "arming waits for: " + states.WAITS[states.WAIT_STOP_TEST][1],
        "limit: " + states.LIMITS[states.LIMIT_CUTBACK][1] + " (at most 43.0 %)",
        "cause: stop loop opened; to clear it: close the stop loop, then lever at rest",
        "sense input 1 (left): " + states.SENSE_FAULTS[states.SENSE_OPEN][1],
    ):
        assert words in out
    # What stays the same is said once.
    assert out.count(states.WARNINGS[0][1]) == 1


def test_watch_block_shows_each_section_and_the_uncertainty(riding, capsys):
    riding(drive)
    assert main.run(["watch", "--for", "0.02", "--block", "--every", "0"]) == 0
    out = capsys.readouterr().out
    assert "left     pulse 1423 us, string 38.00 V (+/- 0.06 V, 95 %)" in out
    assert "sense input 3, 5 cells: 18.50 V, 3.700 V a cell" in out
    assert out.count(states.WARNINGS[0][1]) == 20


def test_watch_json_is_one_object_a_line(riding, capsys):
    riding(drive)
    assert main.run(["watch", "--for", "0.02", "--json", "--every", "0"]) == 0
    rows = [json.loads(text) for text in capsys.readouterr().out.splitlines()]
    assert [r["type"] for r in rows[:3]] == ["status", "event", "status"]
    assert len(rows) == 23
    assert rows[2]["sides"][1]["section_v"] == [18.5, 19.0]
    assert rows[2]["sides"][1]["cell_v"] == [3.7, 3.8]
    assert rows[2]["warning_names"] == ["LOW", "CUTBACK"]
    assert rows[-1]["sides"][0]["string_v"] is None
    assert {f[0] for f in messages.STATUS.fields} <= set(rows[0])


def test_watch_of_a_box_that_falls_silent(riding, capsys):
    riding(drive, silence_s=0.02)
    assert main.run(["watch"]) == 3
    assert "the box stopped answering" in capsys.readouterr().err


def test_record_to_a_file(riding, capsys, tmp_path):
    path = tmp_path / "a.ride"
    box = riding(drive)
    assert main.run(["record", str(path), "--for", "0.02"]) == 0
    assert "22 status and 1 event records" in capsys.readouterr().out
    ride = file.read(path)
    assert (len(ride.status), len(ride.events), ride.notes) == (22, 1, [])
    assert ride.footer["ended"] == "the time asked for was over"
    assert box.unix_s == ride.header["started_unix_s"] > 1_700_000_000
    assert ride.settings("side.cells")[:2] == [10, 10]
    assert main.run(["record", str(path), "--for", "0.02"]) == 2
    assert "--force" in capsys.readouterr().err
    assert main.run(["record", str(path), "--for", "0.02", "--force", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["status"] == 22


@pytest.mark.skipif(sys.platform == "win32", reason="sends itself SIGINT")
def test_ctrl_c_completes_the_file(riding, capsys, tmp_path):
    def ride_and_stop(box):
        drive(box)
        asyncio.get_running_loop().call_later(0.01, signal.raise_signal, signal.SIGINT)

    riding(ride_and_stop)
    assert main.run(["record", str(tmp_path / "a.ride")]) == 130
    ride = file.read(tmp_path / "a.ride")
    assert (len(ride.status), ride.notes, ride.footer["ended"]) == (22, [], "stopped by hand")


def test_a_box_that_stops_leaves_a_whole_file(riding, capsys, tmp_path):
    riding(drive, silence_s=0.02)
    assert main.run(["record", str(tmp_path / "a.ride")]) == 3
    ride = file.read(tmp_path / "a.ride")
    assert len(ride.status) == 22
    assert "stopped answering" in ride.footer["ended"]


def test_boxes_lists_boxes_and_reasons(monkeypatch, capsys):
    async def probe(among):
        client = Client(MemoryLink(FakeBox()), timeout_s=0.05)
        await client.open()
        busy = find.Probe(find.Candidate("/dev/b", "USB"), error=BoxError("/dev/b: the port is busy"))
        return [find.Probe(find.Candidate("/dev/a", "USB"), client), busy]

    monkeypatch.setattr(find, "candidates", lambda: [])
    monkeypatch.setattr(find, "probe", probe)
    assert main.run(["boxes"]) == 0
    out = capsys.readouterr().out.splitlines()
    assert out[0].startswith("/dev/a  trike, board pico_w, firmware 0.1.0, serial e6614c311b4a")
    assert out[1] == "no box: /dev/b: the port is busy"
    assert main.run(["boxes", "--json"]) == 0
    rows = [json.loads(text) for text in capsys.readouterr().out.splitlines()]
    assert (rows[0]["rig"], rows[0]["error"], rows[1]["error"]) == ("trike", None, "/dev/b: the port is busy")


def test_boxes_without_any(monkeypatch, capsys):
    monkeypatch.setattr(find, "candidates", lambda: [])
    assert main.run(["boxes"]) == 3
    assert "no box was found" in capsys.readouterr().err
