"""Commands apply and settings, through the command line, against a box in memory."""

import asyncio
import json

import pytest
from fake_box import FakeBox, MemoryLink
from test_rig_sheet import BAD, changed

from barbox.cli import changes as cli_changes
from barbox.cli import settings as cli_settings
from barbox.errors import BoxError
from barbox.link.client import Client
from barbox.rig import read
from barbox.rig.template import example_text
from shared_proto import messages, states
from shared_proto.settings import SETTINGS, Values

EXAMPLE = example_text()


class Box(FakeBox):
    """A box that may be not LOCKED, that may lose its link, and whose flash may fail."""

    def __init__(self):
        super().__init__()
        self.locked = True
        self.flash_fails = False
        self.lose_at_put = None  # number of the put at which the link is lost
        self.lose_at_commit = False
        self.wrong_flash = False
        self.puts = self.commits = self.opened = 0
        self.link = None

    def _answer(self, body):
        kind, number = messages.head(body)
        if kind == messages.HELLO.kind:
            self.pending = self.values.copy()
        elif kind == messages.SETTING_PUT.kind:
            self.puts += 1
            if not self.locked:
                return messages.REFUSED.pack(number, states.REFUSE_NOT_LOCKED)
            if self.puts == self.lose_at_put:
                self.link.lose()
        elif kind == messages.SETTING_COMMIT.kind:
            if self.flash_fails:
                return messages.REFUSED.pack(number, states.REFUSE_FLASH)
            if self.lose_at_commit:
                self.link.lose()
                return b"\0\0\0"
            self.commits += 1
            answer = super()._answer(body)
            if self.wrong_flash:
                self.values.put("ramp_up_ms", 777)
            return answer
        return super()._answer(body)

    async def open(self, url=None, **_):
        self.opened += 1
        self.link = MemoryLink(self)
        client = Client(self.link, timeout_s=0.05, tries=1)
        await client.open()
        return client


@pytest.fixture
def box(monkeypatch):
    box = Box()
    for module in (cli_changes, cli_settings):
        monkeypatch.setattr(module, "open_box", box.open)
    return box


@pytest.fixture
def sheet(tmp_path):
    path = tmp_path / "trike.toml"
    path.write_text(EXAMPLE)
    return path


# apply


def test_apply_shows_asks_writes_and_reads_back(barbox, box, sheet, monkeypatch):
    monkeypatch.setattr("click.confirm", lambda *a, **k: True)
    code, out, err = barbox("apply", sheet)
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert lines[0].split() == ["setting", "box", "trike.toml"]
    assert any(line.split() == ["side1.cells", "0", "10"] for line in lines)
    assert lines[-1].endswith("settings written and read back")
    assert box.values.to_blob() == read(sheet.read_bytes()).settings().to_blob()
    assert box.commits == 1
    code, out, _ = barbox("apply", sheet)
    assert (code, out) == (0, "the box has these settings already\n")
    assert box.commits == 1


def test_apply_writes_nothing_without_a_yes(barbox, box, sheet, monkeypatch):
    monkeypatch.setattr("click.confirm", lambda *a, **k: False)
    code, _, err = barbox("apply", sheet)
    assert (code, err) == (1, "barbox: nothing was written\n")
    assert box.puts == box.commits == 0


def test_apply_dry_run_and_json(barbox, box, sheet):
    code, out, _ = barbox("apply", sheet, "--dry-run", "--json")
    shown = json.loads(out)
    assert (code, shown["written"], box.puts) == (0, False, 0)
    assert {"name": "side2.cells", "old": 0, "new": 10} in shown["changes"]
    code, out, err = barbox("apply", sheet, "--json")
    assert (code, err) == (2, "barbox: --json asks no question: add --yes to write, or --dry-run to look only\n")
    code, out, _ = barbox("apply", sheet, "--json", "--yes")
    assert (code, json.loads(out)["written"], box.commits) == (0, True, 1)


def test_apply_is_careful_about_a_heavy_negative_that_drops_too_much(barbox, box, sheet):
    """At 116 A x 1.2 with full packs, over copper of 0.017241 ohm mm2/m (IEC 60028) and 0.5 milliohm of contacts: 6 mm2
    drop 0.47 V a metre; 0.24 V is 0.426 m of it, or 14.1 mm2 for a metre (worked by hand)."""
    sheet.write_text(EXAMPLE.replace("lead_mm2 = 16", "lead_mm2 = 6"))
    code, out, _ = barbox("apply", sheet, "--yes")
    told = [line for line in out.splitlines() if line.startswith("careful: ")]
    assert (code, len(told), box.commits) == (0, 2, 1)
    assert told[0].startswith("careful: the heavy negative of left (3.37 milliohm) drops about 0.47 V at 139 A")
    assert told[0].endswith("at 6 mm2 it may be 0.42 m long, or at 1 m it needs 15 mm2")
    code, out, _ = barbox("apply", sheet, "--dry-run", "--json")
    assert len(json.loads(out)["cautions"]) == 2


@pytest.mark.parametrize("case", BAD)
def test_apply_of_a_bad_sheet_never_speaks_to_the_box(barbox, box, tmp_path, case):
    pairs, said = BAD[case]
    path = tmp_path / "rig.toml"
    path.write_text(changed(*pairs))
    code, out, err = barbox("apply", path, "--yes")
    assert (code, out) == (2, "")
    assert err == f"barbox: {said.replace('rig.toml', str(path), 1)}\n"
    assert box.opened == 0


def test_apply_to_a_box_that_is_not_locked(barbox, box, sheet):
    box.locked = False
    code, _, err = barbox("apply", sheet, "--yes")
    assert code == 3
    assert err == (
        "barbox: the box takes settings only while it is LOCKED, and it is not: bring the lever to rest, press the "
        "arm button once and try again; nothing was written\n"
    )
    assert box.values.to_blob() == Values().to_blob()


def test_apply_with_the_link_lost_half_way(barbox, box, sheet):
    box.lose_at_put = 3
    code, _, err = barbox("apply", sheet, "--yes")
    assert (code, err) == (3, "barbox: memory: the link was lost; nothing was written\n")
    assert box.values.to_blob() == Values().to_blob()


def test_apply_with_the_link_lost_in_the_commit(barbox, box, sheet):
    box.lose_at_commit = True
    code, _, err = barbox("apply", sheet, "--yes")
    assert code == 3
    assert "all the old settings or all the new ones: look with `barbox settings show`" in err


def test_apply_with_a_flash_that_fails(barbox, box, sheet):
    box.flash_fails = True
    code, _, err = barbox("apply", sheet, "--yes")
    assert code == 3
    assert err.endswith("the box could not write its flash; nothing was written\n")
    assert box.pending.to_blob() == Values().to_blob()


def test_apply_notices_what_reads_back_wrong(barbox, box, sheet):
    box.wrong_flash = True
    sheet.write_text(EXAMPLE.replace("ramp_up_s = 2.0", "ramp_up_s = 2.5"))
    code, _, err = barbox("apply", sheet, "--yes")
    assert (code, err) == (
        3,
        "barbox: ramp_up_ms was written as 2500 and reads back as 777: do not ride like this\n",
    )


def test_apply_to_another_board(barbox, box, sheet):
    box.identity["board"] = b"pico"
    code, _, err = barbox("apply", sheet, "--yes")
    assert (code, box.puts) == (2, 0)
    assert err == (
        f"barbox: {sheet}: rig.board is pico_w, and this box is a pico: correct the sheet or take the other box; "
        "nothing was written\n"
    )


def test_apply_when_the_box_changed_while_the_person_thought(barbox, box, sheet, monkeypatch):
    def confirm(*_, **__):
        box.identity["settings_seq"] += 1
        return True

    monkeypatch.setattr("click.confirm", confirm)
    code, _, err = barbox("apply", sheet)
    assert (code, box.puts) == (3, 0)
    assert err.endswith("changed meanwhile; look again; nothing was written\n")


def test_apply_keeps_a_calibration_and_says_so(barbox, box, sheet):
    barbox("apply", sheet, "--yes")
    box.values.put("sense.calibrated", 1, 1)
    box.values.put("sense.offset_mv", -20, 1)
    sheet.write_text(EXAMPLE.replace("ramp_up_s = 2.0", "ramp_up_s = 3.0"))
    _, out, _ = barbox("apply", sheet, "--yes")
    assert "kept: the calibration of input 2 (left, 10 cells)" in out
    assert (box.values.get("sense.offset_mv", 1), box.values.get("ramp_up_ms")) == (-20, 3000)


# settings


@pytest.fixture
def applied(barbox, box, sheet):
    assert barbox("apply", sheet, "--yes")[0] == 0
    return box


def test_show_lists_with_units_and_limits(barbox, applied):
    code, out, _ = barbox("settings", "show")
    assert code == 0
    assert len(out.splitlines()) == 1 + sum(s.count for s in SETTINGS)
    row = next(line for line in out.splitlines() if line.startswith("ramp_up_ms"))
    assert row.split()[:4] == ["ramp_up_ms", "2000", "ms", "500..20000"]


def test_show_some_and_json(barbox, applied):
    _, out, _ = barbox("settings", "show", "left.", "--json")
    shown = json.loads(out)
    assert {s["name"] for s in shown} == {f"side1.{s.name}" for s in SETTINGS if s.group == "side"}
    code, _, err = barbox("settings", "show", "xyzzy")
    assert (code, err) == (
        2,
        "barbox: no setting has xyzzy in its name; `barbox settings show` lists them all\n",
    )


def test_get_by_number_and_by_side(barbox, applied):
    code, out, _ = barbox("settings", "get", "left.cells", "side2.name", "ramp_up_ms")
    assert (code, out) == (0, "10\nright\n2000\n")
    code, out, _ = barbox("settings", "get", "--json", "right.curve")
    assert json.loads(out)["right.curve"][1] == 316
    code, _, err = barbox("settings", "get", "left.cels")
    assert (code, err) == (2, "barbox: left.cels is not a setting; did you mean left.cells?\n")


def test_set_one_or_several_together(barbox, applied):
    code, out, _ = barbox("settings", "set", "ramp_up_ms", 2500, "--yes")
    assert code == 0
    assert out.splitlines()[1].split() == ["ramp_up_ms", "2000", "2500", "ms"]
    code, _, _ = barbox("settings", "set", "cell_low_mv=3580", "cell_warn_mv=3650", "left.idle_us=1010", "--yes")
    assert code == 0
    get = applied.values.get
    assert [get("ramp_up_ms"), get("cell_low_mv"), get("cell_warn_mv"), get("side.idle_us")] == [2500, 3580, 3650, 1010]


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["ramp_up_ms", "99"], "ramp_up_ms: 99 is outside 500..20000 ms"),
        (["ramp_up", "2500"], "ramp_up is not a setting; did you mean ramp_up_ms?"),
        (
            ["ramp_up_ms", "slow"],
            'ramp_up_ms: "slow" is not a whole number; write a whole number in 500..20000 ms',
        ),
        (["ramp_up_ms"], '"ramp_up_ms" has no value: write NAME=VALUE, such as ramp_up_ms=2500'),
        (
            ["cell_low_mv=3750"],
            "with these values: cell voltages: floor, low and warn must rise in this order; nothing was written",
        ),
        (
            ["side1.cells=8"],
            "with these values: sense input 2: 10 cells is above the top of side 1; nothing was written",
        ),
    ],
)
def test_set_refuses(barbox, applied, args, said):
    before = applied.values.to_blob()
    code, _, err = barbox("settings", "set", *args)
    assert (code, err) == (2, f"barbox: {said}\n")
    assert applied.values.to_blob() == before


def test_save_load_diff(barbox, applied, tmp_path):
    path = tmp_path / "saved.toml"
    assert barbox("settings", "save", path)[0] == 0
    code, _, err = barbox("settings", "save", path)
    assert (code, err) == (
        2,
        f"barbox: {path}: exists already; choose another name, or overwrite it with --force\n",
    )
    assert barbox("settings", "diff", path) == (0, "the box has what saved.toml says\n", "")
    before = applied.values.to_blob()
    applied.values.put("ramp_up_ms", 4000)
    code, out, err = barbox("settings", "diff", path)
    assert (code, err) == (1, "barbox: 1 setting differs\n")
    assert out.splitlines()[1].split() == ["ramp_up_ms", "4000", "2000", "ms"]
    assert barbox("settings", "load", path, "--yes")[0] == 0
    assert applied.values.to_blob() == before


def test_load_of_a_bad_file_never_speaks_to_the_box(barbox, box, tmp_path):
    path = tmp_path / "bad.toml"
    path.write_text("ramp_up_ms = 99\n")
    code, _, err = barbox("settings", "load", path, "--yes")
    assert (code, box.opened) == (2, 0)
    assert err == f"barbox: {path}: ramp_up_ms: 99 is outside 500..20000 ms\n"
    code, _, err = barbox("settings", "load", tmp_path / "none.toml")
    assert code == 2
    assert err.endswith("cannot be read (No such file or directory); name a file of `barbox settings save`\n")


def test_no_box_is_exit_3(barbox, monkeypatch, sheet):
    async def nothing(url=None, **_):
        await asyncio.sleep(0)
        raise BoxError("no box was found")

    monkeypatch.setattr(cli_changes, "open_box", nothing)
    assert barbox("apply", sheet) == (3, "", "barbox: no box was found\n")


# What can hurt when it is wrong.


def test_set_asks_about_what_decides_thrust_and_not_about_the_harmless(barbox, applied, monkeypatch):
    asked = []
    monkeypatch.setattr("click.confirm", lambda text, **_: asked.append(text))
    code, out, err = barbox("settings", "set", "left.idle_us=1100")
    assert (code, err, len(asked)) == (1, "barbox: nothing was written\n", 1)
    assert "if wrong: side1.idle_us (decides thrust): too high: the fan turns" in out
    assert "then: the box keeps idle 1000 us" in " ".join(out.split())
    assert applied.values.get("side.idle_us") == 1000
    code, out, _ = barbox("settings", "set", "left.idle_us=1100", "--yes")
    assert code == 0 and "if wrong: side1.idle_us" in out and len(asked) == 1
    code, out, _ = barbox("settings", "set", "stream_hz=5")
    assert code == 0 and "if wrong" not in out and len(asked) == 1
    code, _, err = barbox("settings", "set", "ramp_up_ms=900", "--json")
    assert code == 2 and "--json asks no question" in err


def test_a_proof_is_set_by_no_command(barbox, applied, tmp_path):
    code, _, err = barbox("settings", "set", "left.proven=1", "--yes")
    assert code == 2 and "side1.proven: the box alone sets it; a stop is proved with `barbox bench`" in err
    path = tmp_path / "mine.toml"
    barbox("settings", "save", path)
    path.write_text(path.read_text().replace("proven = 0", "proven = 1"))
    code, out, _ = barbox("settings", "load", path, "--yes")
    assert code == 0 and "side1.proven, which the box alone sets" in out
    assert applied.values.get("side.proven") == 0


def test_load_and_apply_tell_what_can_come_of_it(barbox, applied, box, sheet, tmp_path):
    path = tmp_path / "mine.toml"
    barbox("settings", "save", path)
    path.write_text(path.read_text().replace("ramp_up_ms = 2000", "ramp_up_ms = 600"))
    code, out, _ = barbox("settings", "load", path, "--yes")
    assert code == 0 and "if wrong: ramp_up_ms (decides thrust): too short" in out
    code, out, _ = barbox("apply", sheet, "--yes")
    assert code == 0 and "if wrong: ramp_up_ms (decides thrust): too short" in out


def test_an_old_proof_in_a_sheet_is_told_what_to_do(barbox, box, sheet):
    esc = "esc = { idle_us = 1000, full_us = 2000, rating_a = 150 }\n"
    sheet.write_text(EXAMPLE.replace(esc, esc + "proof = { stop_proved = 2026-05-01, hold_s = 0.3 }\n", 1))
    code, out, _ = barbox("apply", sheet, "--yes")
    words = " ".join(out.split())
    assert code == 0 and "`proof` of left in the sheet bears no mark of a box and counts for nothing" in words
    assert box.values.get("side.proven") == 0
