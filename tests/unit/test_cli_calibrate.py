"""`barbox calibrate` without a box: the talk at a terminal, the record beside the sheet, and what ends neither."""

import asyncio
import json
import os
import signal

import pytest

from barbox.calibration import keep
from barbox.calibration.record import Record
from barbox.cli import options
from barbox.cli.calibrate import Terminal
from barbox.cli.lines import Lines
from barbox.errors import BoxError, UserError


class Reading:
    """A stream that is read again and again; after `lost_at` times the link is gone."""

    def __init__(self, lost_at=None):
        self.steps = 0
        self.lost_at = lost_at

    async def step(self):
        self.steps += 1
        if self.steps == self.lost_at:
            raise BoxError("the link was lost")
        await asyncio.sleep(0)


@pytest.fixture
def pipe():
    out, into = os.pipe()
    yield out, into
    os.close(into)


async def others():
    """Tasks that are left besides this one."""
    await asyncio.sleep(0)
    return asyncio.all_tasks() - {asyncio.current_task()}


def test_the_stream_is_read_while_somebody_thinks(pipe):
    async def story():
        sampler = Reading()
        asked = asyncio.ensure_future(Terminal(Lines(pipe[0])).ask("the meter shows: ", sampler, str))
        while sampler.steps < 100:
            await asyncio.sleep(0)
        os.write(pipe[1], b" 41.93 \n")
        return await asked

    assert asyncio.run(story()) == "41.93"


def test_ctrl_c_at_a_question_leaves_nothing_running(pipe, caplog):
    """Else a read of the stream that nobody waits for ends in a traceback once the link is closed."""

    async def story():
        sampler = Reading()
        asked = asyncio.ensure_future(Terminal(Lines(pipe[0])).ask("the meter shows: ", sampler, str))
        while sampler.steps < 3:
            await asyncio.sleep(0)
        asked.cancel()
        with pytest.raises(asyncio.CancelledError):
            await asked
        assert await others() == set()

    asyncio.run(story())
    assert caplog.text == ""


def test_a_link_that_is_lost_at_a_question_ends_it_though_nobody_types(pipe):
    async def story():
        with pytest.raises(BoxError, match="the link was lost"):
            await Terminal(Lines(pipe[0])).ask("the meter shows: ", Reading(lost_at=3), str)
        assert await others() == set()

    asyncio.run(story())


@pytest.mark.parametrize("columns", [60, 30])
def test_a_narrow_terminal_folds_the_question_and_crops_what_stands_above_it(pipe, monkeypatch, capsys, columns):
    """The line above is found again however many rows the question takes, and takes one row itself."""
    monkeypatch.setattr("shutil.get_terminal_size", lambda: os.terminal_size((columns, 24)))
    question = "Hold the lever at full, then Enter and hold on for three seconds: "
    live = "  box, uncalibrated: 20.841 V, noise 12.3 mV, 60 readings"

    async def story():
        terminal = Terminal(Lines(pipe[0]))
        terminal._folds = terminal._draws = True
        sampler, loop = Reading(), asyncio.get_running_loop()
        asked = asyncio.ensure_future(terminal.ask(question, sampler, lambda: live))
        began_s = loop.time()
        monkeypatch.setattr(loop, "time", lambda: began_s + sampler.steps)
        while sampler.steps < 5:
            await asyncio.sleep(0)
        os.write(pipe[1], b"\n")
        return await asked

    assert asyncio.run(story()) == ""
    shown, *redrawn = capsys.readouterr().out.split("\x1b7")
    first, *asked = shown.split("\n")
    assert " ".join([row.strip() for row in asked]) == question.strip() and shown.endswith(": ")
    assert len(asked) > 1 and all(len(row) < columns for row in (first, *asked))
    assert redrawn and live.startswith(first) and first
    for one in redrawn:
        assert one.rstrip("\n") == f"\x1b[{len(asked)}A\r{first}\x1b[K\x1b8"


def test_ctrl_c_does_not_break_off_a_write_that_has_begun(tmp_path, monkeypatch):
    record = Record.load(tmp_path / "trike.calibrations.json")
    going_on, begun = None, None

    async def write(client, todo):
        begun.set()
        await going_on.wait()

    async def story():
        nonlocal going_on, begun
        going_on, begun = asyncio.Event(), asyncio.Event()
        task = asyncio.ensure_future(keep.write_and_keep(None, [], record, {"kind": "lever"}, "new end points"))
        await begun.wait()
        task.cancel()
        await asyncio.sleep(0)
        assert not task.done() and not record.path.exists()
        going_on.set()
        await task

    monkeypatch.setattr(keep, "write", write)
    asyncio.run(story())
    assert Record.load(record.path).entries == [{"kind": "lever"}]


@pytest.mark.parametrize("in_time", [True, False])
def test_ctrl_c_on_python_3_10_is_as_on_later_ones(tmp_path, monkeypatch, in_time):
    """The loop of 3.10 knows nothing of Ctrl-C: run like that."""
    record = Record.load(tmp_path / "trike.calibrations.json")

    async def write(client, todo):
        os.kill(os.getpid(), signal.SIGINT)
        for _ in range(5):
            await asyncio.sleep(0)

    async def story():
        if in_time:
            os.kill(os.getpid(), signal.SIGINT)
            await asyncio.sleep(0)
        await keep.write_and_keep(None, [], record, {"kind": "lever"}, "new end points")
        return "done"

    monkeypatch.setattr(keep, "write", write)
    loop = asyncio.new_event_loop()
    try:
        if in_time:
            with pytest.raises(KeyboardInterrupt):
                loop.run_until_complete(options.cancelled_alone(story()))
        else:
            assert loop.run_until_complete(options.cancelled_alone(story())) == "done"
    finally:
        loop.close()
    assert record.path.exists() != in_time
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


ONE = {"input": 1, "cells": 5, "upper_kohm": 56, "lower_kohm": 10, "points": [], "gain_only": True, "after": {}}


@pytest.mark.parametrize(
    "entries",
    [
        None,
        [1],
        [{"kind": "sense"}],
        [{"kind": "sense", "inputs": 1}],
        *[[{"kind": "sense", "inputs": [{k: v for k, v in ONE.items() if k != name}]}] for name in ONE],
    ],
)
def test_a_record_that_was_spoilt_by_hand_is_one_sentence(tmp_path, entries):
    path = tmp_path / "trike.calibrations.json"
    made = {"format": "barbox calibrations", "version": 1, "entries": entries}
    path.write_text(json.dumps(made))
    with pytest.raises(UserError, match="is not a record of calibrations .*; move it away and calibrate again"):
        Record.load(path)
    assert json.loads(path.read_text()) == made
