"""`barbox bench` without a box: what its options exclude, and the talk at a terminal."""

import asyncio
import contextlib
import os
import threading

import pytest

from barbox.bench.run import Stopped
from barbox.cli import main, terminal
from barbox.cli.lines import Lines
from barbox.cli.terminal import Terminal
from barbox.records import Status
from barbox.rig.template import example_text
from shared_proto import states


@pytest.fixture
def sheet(tmp_path):
    path = tmp_path / "trike.toml"
    path.write_text(example_text())
    return str(path)


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["--resume", "--fresh"], "--resume and --fresh exclude each other"),
        (["--prove-stop", "--learn-end-points"], "exclude each other"),
        (["--sim", "--box", "/dev/ttyACM0"], "--sim and --scale or --box exclude each other"),
        (["--scale", "/dev/ttyUSB9"], "--scale needs --unit"),
        (["--scale", "/dev/does-not-exist", "--unit", "kg"], "cannot be opened"),
        (["--unit", "A"], "no unit of force that is known here"),
        (["--scale-step", "0.01"], "--scale-step needs --unit"),
        (["--no-scale", "--unit", "N"], "--no-scale has no --unit"),
        (["--no-scale", "--scale-error", "0"], "--no-scale has no --unit, --scale-step and --scale-error"),
        (["--no-clamp", "--clamp-error", "2"], "--no-clamp has no --clamp-error"),
        (["--steps", "20,x"], "write per cent"),
        (["--steps", "20,120"], "above 0 and up to 100"),
        (["--steps", "20,inf"], "write per cent"),
        (["--steps", "nan"], "write per cent"),
        (["--pressure", "nan"], "nan is no finite number"),
        (["--temperature", "nan"], "nan is no finite number"),
        (["--scale-step", "nan", "--unit", "N"], "nan is no finite number"),
        (["--scale-step", "inf", "--unit", "N"], "inf is no finite number"),
        (["--box", "ble:trike"], "serial ports only"),
    ],
)
def test_what_cannot_be_meant_is_one_sentence(sheet, capsys, words, why):
    assert main.run(["bench", sheet, *words]) == 2
    err = capsys.readouterr().err
    assert why in err and err.count("\n") == 1


def test_what_is_said_of_the_instruments_is_all_that_replaces_their_defaults(sheet, monkeypatch):
    jobs = []
    monkeypatch.setattr("barbox.cli.bench._on_a_box", lambda rig, path, job, *_: jobs.append(job))
    monkeypatch.setattr("barbox.cli.bench.options.run", lambda _: None)
    words = ["--unit", "lb", "--scale-step", "0.1", "--scale-error", "0.5", "--clamp-error", "2"]
    for said in ([], words):
        assert main.run(["bench", sheet, *said]) == 0
    assert [job["instruments"] for job in jobs] == [
        {},
        {"thrust_error_percent": 0.5, "current_error_percent": 2.0, "scale": True, "thrust_unit": "lbf",
         "thrust_step_n": pytest.approx(0.44482216)},
    ]  # fmt: skip


@contextlib.contextmanager
def a_pipe():
    """Its reading end is closed when nobody reads any more: else the thread of one test would read from the next
    one's pipe, which gets the same number."""
    out, into = os.pipe()
    before = threading.enumerate()
    try:
        yield out, into
    finally:
        with contextlib.suppress(OSError):
            os.close(into)
        for thread in threading.enumerate():
            if thread not in before:
                thread.join(5)
                assert not thread.is_alive()
        os.close(out)


def test_the_link_is_heard_while_somebody_thinks():
    """Nothing is typed before the event loop has gone round a thousand times: beats are tasks of it."""

    async def story(out, into):
        asked = asyncio.ensure_future(Terminal(Lines(out)).ask("thrust", "thrust"))
        for _ in range(1000):
            await asyncio.sleep(0)
        assert not asked.done()
        os.write(into, b"1.25 kgf\r\n")
        return await asked

    with a_pipe() as ends:
        assert asyncio.run(story(*ends)) == "1.25 kgf"


def test_lines_of_a_pipe_are_taken_in_order_and_its_end_is_a_stop():
    async def story(out, into):
        person = Terminal(Lines(out))
        os.write(into, b"y\nno\nlast")
        os.close(into)
        typed = [await person.ask("check:tied", "tied?") for _ in range(3)]
        for _ in range(2):
            with pytest.raises(Stopped):
                await person.ask("next", "and now?")
        return typed

    with a_pipe() as ends:
        assert asyncio.run(story(*ends)) == ["y", "no", "last"]


def test_a_question_that_is_withdrawn_leaves_the_next_one_its_line():
    """As when a step ends before anybody has pressed Enter, and by Ctrl-C."""

    async def story(out, into):
        person = Terminal(Lines(out))
        asked = asyncio.ensure_future(person.ask("ear", "Enter"))
        await asyncio.sleep(0)
        asked.cancel()
        with pytest.raises(asyncio.CancelledError):
            await asked
        os.write(into, b"y\n")
        return await person.ask("turns", "turned?")

    with a_pipe() as ends:
        assert asyncio.run(story(*ends)) == "y"


def test_what_was_typed_at_a_terminal_before_it_was_asked_does_not_answer():
    pty = pytest.importorskip("pty")

    async def story(ours, theirs):
        lines = Lines(theirs)
        person = Terminal(lines)
        os.write(ours, b"first\n")
        assert await person.ask("thrust", "thrust") == "first"
        os.write(ours, b"y\n")  # nobody asked
        while not lines._lines:
            await asyncio.sleep(0)
        asked = asyncio.ensure_future(person.ask("turns", "turned?"))
        for _ in range(100):
            await asyncio.sleep(0)
        assert not asked.done()
        os.write(ours, b"n\n")
        return await asked

    ours, theirs = pty.openpty()
    try:
        assert asyncio.run(story(ours, theirs)) == "n"
    finally:
        os.close(ours)


def test_a_line_on_what_the_box_does(capsys):
    nothing = dict.fromkeys(Status._fields, 0)
    running = {**nothing, "state": states.BENCH, "bench_phase": states.BENCH_RUNNING, "demand_pm": 250,
               "bench_left_ms": 4200, "time_ms": 1000}  # fmt: skip
    assert terminal.state_line(Status(**running)) == "25 % | the step runs while it is held, 4 s left"
    person = Terminal(Lines(0))
    person._draws = True
    person.sees(Status(**running))
    person.sees(Status(**{**running, "time_ms": 1100}))  # not twice within a fifth of a second
    person.tell("well")
    assert capsys.readouterr().out.count("25 %") == 1
