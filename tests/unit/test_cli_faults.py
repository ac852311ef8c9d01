"""`barbox faults` against a box in memory."""

import json

import pytest
from fake_box import FakeBox, MemoryLink

from barbox.cli import faults, main
from barbox.link.client import Client
from shared_proto import messages as m
from shared_proto import states as s


@pytest.fixture
def box(monkeypatch):
    box = FakeBox()
    held = [0] * 16
    held[s.CAUSE_LATE] = 3
    sense = [0] * 8
    sense[s.SENSE_OPEN] = 65535
    box.faults = {"boots": 9, "since_boot": 4, "held": tuple(held), "sense": tuple(sense), "last_cause": s.CAUSE_LATE,
                  "last_boot": 8, "last_time_ms": 63_500, "unseen": 0x80 | s.CAUSE_LATE, "unsaved": 1,
                  "bad_frames": 2, "oversized_frames": 1}  # fmt: skip
    # (boot, time_ms, unix_s, event, times, a, b), more than two pages
    box.log = [(8, 1000 * k, 0, s.EVENT_ERROR, 1, s.PART_SCREENS, 1) for k in range(21)]
    box.log.append((8, 63_500, 1_800_000_000, s.EVENT_STATE, 1, s.HELD, s.CAUSE_LATE))
    box.log.append((9, 0, 0, s.EVENT_BOOT, 1, s.RESET_WATCHDOG, (s.HELD + 1) << 8 | s.CAUSE_LATE))
    box.log.append((9, 700, 0, s.EVENT_SENSE, 255, 3, s.SENSE_OPEN))
    box.log_first = 5

    async def open_box(url=None):
        client = Client(MemoryLink(box), timeout_s=0.05)
        await client.open()
        return client

    monkeypatch.setattr(faults, "open_box", open_box)
    return box


def test_it_is_told_in_plain_words(box, capsys):
    assert main.run(["faults"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "start 9 of the box; counted since start 4"
    late = s.words(s.CAUSES, s.CAUSE_LATE)
    assert lines[1] == f"last stop, not cleared by anyone: the watchdog reset a stalled box, after: {late}"
    assert lines[2] == f"last HELD: {late} (start 8, 1:03.5)"
    assert f"  3 x held: {late}" in lines
    assert any(line.startswith("  65535 or more x sensing: reads near nothing") for line in lines)
    assert "  3 x damaged or oversized frames from a host since this start" in lines
    assert "events, oldest first: (5 older ones are gone)" in lines
    assert lines[-2].endswith("sense input 3: reads near nothing: sense fuse blown or wire broken (255 or more times)")
    assert lines[-3].endswith(f"; before: HELD, {late}")
    assert any("2027-01-15 08:00:00 UTC" in line and "now HELD" in line for line in lines)
    assert sum("failed or fell silent: the screen" in line for line in lines) == 21
    assert "not all of this is on the box's flash yet" in lines[-1]
    assert box.cleared == 0


def test_json_has_every_counter_by_name_and_every_event(box, capsys):
    assert main.run(["faults", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["held"] == {name: 3 if name == "LATE" else 0 for name, *_ in s.CAUSES}
    assert told["boots"] == 9 and told["bad_frames"] == 2
    assert len(told["events"]) == 24 and [e["number"] for e in told["events"]] == list(range(5, 29))
    assert told["events"][-3]["unix_s"] == 1_800_000_000 and told["events"][-1]["unix_s"] is None


def test_clear_reads_before_it_forgets(box, capsys):
    assert main.run(["faults", "--clear"]) == 0
    assert box.cleared == 1
    kinds = [kind for kind, _ in box.done]
    assert kinds[-1] == m.FAULTS_GET.kind and kinds.count(m.LOG_GET.kind) == 3
    assert "forgotten" in capsys.readouterr().out


def test_clear_of_a_box_that_is_not_locked_is_one_sentence(box, capsys, monkeypatch):
    answer = box._answer

    def not_locked(body):
        kind, number = m.head(body)
        return m.REFUSED.pack(number, s.REFUSE_NOT_LOCKED) if kind == m.FAULTS_GET.kind else answer(body)

    monkeypatch.setattr(box, "_answer", not_locked)
    assert main.run(["faults", "--clear"]) == 2
    said = capsys.readouterr()
    assert said.out == "" and said.err.count("\n") == 1 and "not LOCKED" in said.err


def test_a_box_without_faults(box, capsys):
    box.faults, box.log, box.log_first = {"boots": 1, "since_boot": 1}, [], 0
    assert main.run(["faults"]) == 0
    assert capsys.readouterr().out.splitlines() == ["start 1 of the box; counted since start 1", "no events stored"]
