"""Settings on flash: the power goes at every flash operation of a commit; the firmware is what would be copied."""

import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest
from bench_host import Host, make_box, quick_values

from barbox import onboard
from barbox.sim import flash, vm
from barbox.sim.board import LEFT, settings_slot
from barbox.sim.firmware import board_files
from shared_proto import messages, states

OLD, NEW = (2000, 300), (900, 150)  # ramp_up_ms, ramp_down_ms


def ramps(host):
    return host.get("ramp_up_ms"), host.get("ramp_down_ms")


def put_ramps(host, both):
    host.put("ramp_up_ms", both[0])
    host.put("ramp_down_ms", both[1])


def commit(host):
    assert host.request(messages.SETTING_COMMIT).kind == messages.DONE.kind


def cut_commit(box, host, commits_before, operation):
    """After so many commits, one with the power cut at its flash operation; the causes of the resets since."""
    host.ride(3)  # the event log has been written
    for n in range(commits_before):
        put_ramps(host, OLD if n == commits_before - 1 else (3000 + n, 300))
        commit(host)
    put_ramps(host, NEW)
    box.cut_power_at_flash_operation(operation)
    host.post(messages.SETTING_COMMIT)
    host.ride(0.5)
    return [cause for _, cause in box.resets]


@cache
def long_commits():
    """Counts of commits after which the next one is long: littlefs compacts its directory now and then, with sector
    erases, and when it does so depends on what else is on the flash."""
    found = []
    for commits_before in range(10, 18):
        with make_box() as box, Host(box) as host:
            if cut_commit(box, host, commits_before, 5):
                found.append(commits_before)
    return found


@pytest.mark.parametrize(("which", "at_least"), [(None, 2), (0, 6), (-1, 6)])
def test_a_cut_at_any_flash_operation_leaves_old_or_new_settings(which, at_least):
    commits_before = 0 if which is None else long_commits()[which]
    seen = []
    for operation in range(60):
        with make_box() as box, Host(box) as host:
            cut = cut_commit(box, host, commits_before, operation)
            assert cut in ([], ["power"])
            host.ride(1)
            assert host.state == "LOCKED" and "SETTINGS" not in host.warnings
            assert {width for _, width in box.pulses(LEFT)} == {1000}
            identity = host.hello()
            assert identity.rig == "trike" and identity.settings_seq >= 1
            assert states.name(states.RESETS, identity.reset) == "POWER"
            assert ramps(host) in (OLD, NEW), operation
            if not cut:
                assert ramps(host) == NEW
                break
            seen.append(ramps(host))
            put_ramps(host, (1111, 222))  # the flash takes the next commit, and the one after it
            commit(host)
            put_ramps(host, (1112, 223))
            commit(host)
            assert ramps(host) == (1112, 223)
    else:
        raise AssertionError("a commit takes more than 60 flash operations")
    assert len(seen) >= at_least
    assert seen[0] == OLD  # a cut in the first operation leaves the old ones


def overlay_of(a=b"", b=b""):
    return {name: data for name, data in (("settings.a", a), ("settings.b", b)) if data}


@pytest.mark.parametrize("damage", ["torn", "one bit", "empty"])
def test_damaged_settings_are_told_and_the_box_is_a_voltmeter(damage):
    good = settings_slot(quick_values())
    bad = {"torn": good[:100], "one bit": good[:50] + bytes([good[50] ^ 4]) + good[51:], "empty": b"\0"}[damage]
    with make_box(applied=False, overlay=overlay_of(bad, bad)) as box, Host(box) as host:
        host.ride(1)
        assert (host.state, host.waits) == ("LOCKED", "NO_RIG")
        assert "SETTINGS" in host.warnings
        assert host.hello().settings_seq == 0
    with make_box(applied=False, overlay=overlay_of(good, bad)) as box, Host(box) as host:
        host.ride(1)
        assert host.waits == "STOP_TEST"
        assert "SETTINGS" not in host.warnings
        assert host.hello().settings_seq == 1


def test_settings_survive_the_power():
    with make_box() as box, Host(box) as host:
        host.ride(0.7)
        put_ramps(host, NEW)
        commit(host)
        box.power_off()
        box.advance(1)
        box.power_on()
        host.ride(1)
        assert ramps(host) == NEW
        assert host.hello().settings_seq == 2


READ_BACK = """
import os, sys
def walk(folder):
    for name, kind, *_ in os.ilistdir(folder or "/"):
        path = folder + "/" + name if folder else name
        if kind == 0x4000:
            walk(path)
        else:
            with open("/" + path, "rb") as f:
                print(path, f.read().hex(), file=sys.stderr)
walk("")
raise SystemExit
"""


def test_the_files_on_the_boards_flash_are_those_of_the_repository_byte_for_byte(tmp_path):
    """Read back through the VM's own littlefs; compared with what stands in the folders, not with what was copied."""
    image = tmp_path / "flash"
    flash.fresh_copy({}, image)
    reader = tmp_path / "reader.py"
    reader.write_text(
        "import sys\n"
        f"sys.path.insert(0, {str(vm._HAL)!r})\n"
        "import vfs, _bus, _flash\n"
        f"board = _flash.Flash({str(image)!r}, {flash.SECTORS})\n"
        "vfs.umount('/')\n"
        "vfs.mount(vfs.VfsLfs2(board, progsize=256), '/')\n" + READ_BACK
    )
    run = "import sys; from micropython_unix import run_main; sys.exit(run_main(['micropython', sys.argv[1]]))"
    done = subprocess.run(
        [sys.executable, "-c", run, str(reader)], capture_output=True, text=True, timeout=60, check=False
    )
    found = dict(line.split(" ") for line in done.stderr.splitlines() if " " in line)
    expected = {path: content.hex() for path, content in onboard.prepare(board_files()).items()}
    root = Path(__file__).resolve().parents[2]
    sources = [*(root / "firmware").rglob("*.py"), *(root / "shared_proto").rglob("*.py")]
    assert len(expected) == len(sources) > 25
    assert found == expected, done.stderr[-500:] if not found else "another content"
