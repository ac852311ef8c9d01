"""The serial link and the search for a box, over pseudo-terminals."""

import asyncio
import errno
import os
import sys

import pytest

from barbox.errors import BoxError, UserError
from barbox.link import find
from barbox.link.client import Client
from barbox.link.serial import SerialLink, why_not_open
from shared_proto import messages

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals")
if sys.platform != "win32":
    from fake_box import FakeBox, PtyBox

FAST = {"timeout_s": 0.05, "tries": 2}


def run(coroutine):
    return asyncio.run(asyncio.wait_for(coroutine, 5))


@pytest.fixture(autouse=True)
def no_other_boxes(monkeypatch, tmp_path):
    from serial.tools import list_ports

    monkeypatch.setattr(list_ports, "comports", lambda: [])
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    monkeypatch.delenv(find.PORTS_VARIABLE, raising=False)


def test_every_byte_arrives_and_is_counted():
    async def go():
        with PtyBox() as pty:
            link = SerialLink("serial:" + pty.path)
            got = bytearray()
            link.on_data = got.extend
            await link.open()
            data = bytes(range(256)) * 8
            for at in range(0, len(data), 512):
                pty.write(data[at : at + 512])
                while link.bytes_received < pty.sent:
                    await asyncio.sleep(0)
            assert bytes(got) == data
            await link.close()
            await link.close()

    run(go())


def test_requests_over_a_port():
    async def go():
        with PtyBox() as pty:
            async with Client(SerialLink(pty.path), **FAST) as client:
                assert client.identity.rig == "trike"
                assert (await client.read_values()).rows == pty.box.values.rows
                assert client.link.bytes_received == pty.sent

    run(go())


def test_busy_port():
    async def go():
        with PtyBox() as pty:
            async with Client(SerialLink(pty.path), **FAST):
                with pytest.raises(BoxError, match="busy"):
                    await SerialLink(pty.path).open()
            async with Client(SerialLink(pty.path), **FAST):  # closing frees it
                pass

    run(go())


def test_ports_that_do_not_open(tmp_path):
    plain = tmp_path / "plain"
    plain.write_text("no port")
    for path, words in (
        (tmp_path / "none", "no such port"),
        (plain, "not a serial port"),
        (tmp_path, "not a serial"),
    ):
        with pytest.raises(BoxError, match=words) as told:
            run(SerialLink(str(path)).open())
        assert "\n" not in str(told.value)


def test_reasons_that_this_machine_cannot_show():
    # Numbers of errno.h; the texts are how pyserial words an open that fails on Windows.
    assert "permission" in why_not_open("p", PermissionError(errno.EACCES, "x"))
    assert "busy" in why_not_open(
        "COM3", OSError("could not open port 'COM3': PermissionError(13, 'Denied')")
    )
    assert "no such" in why_not_open("COM3", OSError("could not open port 'COM3': FileNotFoundError(2, 'x')"))
    assert os.strerror(errno.EIO) in why_not_open("p", OSError(errno.EIO, "x"))


def test_unplugged_while_a_stream_waits(caplog):
    async def go():
        with PtyBox() as pty:
            client = Client(SerialLink(pty.path), **FAST)
            await client.open()
            stream = client.subscribe()
            pty.box.status()
            assert await stream.next()
            asyncio.get_running_loop().call_soon(pty.unplug)
            with pytest.raises(BoxError, match="unplugged"):
                await stream.next()
            with pytest.raises(BoxError):
                await client.commit()
            await client.close()

    run(go())
    assert not caplog.records  # the library would print a traceback


def test_unplugged_before_a_write(caplog):
    async def go():
        with PtyBox() as pty:
            client = Client(SerialLink(pty.path), **FAST)
            await client.open()
            pty.unplug()
            with pytest.raises(BoxError):
                await client.commit()
            await client.close()

    run(go())
    assert not caplog.records


def test_a_box_that_does_not_read_is_told_and_closing_does_not_hang():
    async def go():
        with PtyBox() as pty:
            pty.deaf()
            link = SerialLink(pty.path, write_limit_s=0.02)
            await link.open()
            with pytest.raises(BoxError, match="does not take"):
                for _ in range(300):
                    await link.write(bytes(4096))
            await link.close()

    run(go())


def test_write_to_a_closed_link():
    with pytest.raises(BoxError, match="not open"):
        run(SerialLink("/dev/null").write(b"x"))


def test_open_box_by_name_and_the_only_one(monkeypatch):
    async def go():
        with PtyBox() as pty:
            monkeypatch.setenv(find.PORTS_VARIABLE, pty.path)
            for url in (None, pty.path, "serial:" + pty.path):
                client = await find.open_box(url, **FAST)
                assert client.identity.serial == "e6614c311b4a"
                await client.close()

    run(go())


def test_open_box_with_none_and_with_two(monkeypatch, tmp_path):
    async def go():
        with pytest.raises(BoxError, match="no box was found: plug"):
            await find.open_box(**FAST)
        gone = str(tmp_path / "gone")
        with PtyBox(FakeBox(b"aaaa")) as one, PtyBox(FakeBox(b"bbbb")) as two:
            monkeypatch.setenv(find.PORTS_VARIABLE, os.pathsep.join([one.path, two.path, one.path, gone]))
            with pytest.raises(BoxError) as told:
                await find.open_box(**FAST)
            for word in ("2 boxes", one.path, "aaaa", two.path, "bbbb", "--box"):
                assert word in str(told.value)
            # Both ports are free again.
            for pty in (one, two):
                await (await find.open_box(pty.path, **FAST)).close()
        monkeypatch.setenv(find.PORTS_VARIABLE, gone)
        with pytest.raises(BoxError, match="no box was found .*gone: there is no such port"):
            await find.open_box(**FAST)

    run(go())


def test_ports_that_are_no_box_are_passed_over(monkeypatch):
    async def go():
        silent, newer = FakeBox(), FakeBox(major=messages.MAJOR + 1)
        silent.mute = True
        with PtyBox(silent) as one, PtyBox(newer) as two, PtyBox() as three:
            monkeypatch.setenv(find.PORTS_VARIABLE, os.pathsep.join([one.path, two.path, three.path]))
            client = await find.open_box(timeout_s=0.02, tries=2)
            assert client.link.url == three.path
            await client.close()
            probes = await find.probe(find.candidates()[:2], timeout_s=0.02, tries=2)
            assert [p.client for p in probes] == [None, None]
            assert "nothing answers" in str(probes[0].error)
            assert "version" in str(probes[1].error)

    run(go())


def test_urls_that_name_no_port():
    for url in ("", "serial:", "ble:trike"):
        with pytest.raises(UserError, match="--box"):
            find.link_for(url)


def test_published_ports_are_found_until_taken_back(tmp_path):
    async def go():
        assert find.sim_ports() == []
        with PtyBox() as pty:
            cleanup = find.publish_sim_port(pty.path, "trike")
            assert find.sim_ports() == [(pty.path, "trike")]
            assert [c.url for c in find.candidates()] == [pty.path]
            client = await find.open_box(**FAST)
            await client.close()
            cleanup()
            assert find.sim_ports() == []

    run(go())


def test_stale_and_foreign_entries_are_ignored(tmp_path):
    folder = find.sim_ports_dir()
    folder.mkdir(mode=0o700)
    assert folder.parent == tmp_path
    left = folder / "12-x.json"  # of a process that ended: nobody holds its lock
    left.write_text('{"name": "trike", "port": "/dev/null"}')
    assert find.sim_ports() == []
    assert not left.exists()
    cleanup = find.publish_sim_port(str(tmp_path / "gone"), "trike")
    assert find.sim_ports() == []
    cleanup()
    folder.rmdir()
    folder.symlink_to(tmp_path)
    assert find.sim_ports() == []


def test_without_a_runtime_directory(monkeypatch):
    monkeypatch.delenv("XDG_RUNTIME_DIR")
    assert str(os.getuid()) in find.sim_ports_dir().name
