"""`barbox record`: a live ride into a file."""

from __future__ import annotations

import contextlib
import sys
import time
from pathlib import Path

import click

from barbox import fold
from barbox.cli import options
from barbox.link.client import Refused
from barbox.link.find import open_box
from barbox.rides.record import Recorder


@click.command("record", short_help="Record a live ride to a file.")
@click.argument("file", required=False, type=click.Path(dir_okay=False, path_type=Path))
@options.box_option
@options.for_option
@click.option("--force", is_flag=True, help="Overwrite FILE.")
@options.json_option
def command(file: Path | None, url: str | None, for_s: float | None, force: bool, as_json: bool) -> None:
    """Record status and events of the box to FILE (by default ride-DATE-TIME.ride) until Ctrl-C.

    While it runs the file is called FILE.part; what was recorded is kept whatever ends the recording.
    """
    now_s = int(time.time())
    path = file or Path(time.strftime("ride-%Y%m%d-%H%M%S.ride", time.localtime(now_s)))
    options.run(record(path, url, for_s, force, as_json, now_s))


async def record(
    path: Path, url: str | None, for_s: float | None, force: bool, as_json: bool, now_s: int
) -> None:
    """Record to `path`; the file is completed however it ends. Raises BoxError, UserError."""
    client = await open_box(url)
    try:
        with contextlib.suppress(Refused):  # the box's own clock is then less right, no reason not to record
            await client.set_time(now_s)
        recorder = Recorder(client, path, now_s, force=force)
        await recorder.start()
        ended = "stopped by hand"
        try:
            await recorder.run(for_s, None if as_json else _progress)
            ended = "the time asked for was over"
        except Exception as error:
            ended = str(error)
            raise
        finally:
            recorder.finish(ended)
            _result(recorder, path, ended, as_json)
    finally:
        await client.close()


def _progress(recorder: Recorder) -> None:
    # One line that is written over; not into a file or a pipe.
    if sys.stderr.isatty():
        click.echo(f"\r{_counted(recorder)}   (Ctrl-C ends)", nl=False, err=True)


def _result(recorder: Recorder, path: Path, ended: str, as_json: bool) -> None:
    if sys.stderr.isatty() and not as_json:
        click.echo(err=True)
    status, events = recorder.counts
    if as_json:
        out = {
            "file": str(path),
            "status": status,
            "events": events,
            "ended": ended,
            "losses": recorder.losses(),
        }
        options.echo_json(out)
    else:
        fold.say(f"{path}: {_counted(recorder)}, {ended}")


def _counted(recorder: Recorder) -> str:
    status, events = recorder.counts
    lost = recorder.losses()
    missing = lost["missed"] + lost["dropped"]
    return f"{status} status and {events} event records" + (f", {missing} lost" if missing else "")
