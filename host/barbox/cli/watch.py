"""`barbox watch`: the box, live, as text."""

from __future__ import annotations

import asyncio

import click

from barbox import fold, words
from barbox.cli import options
from barbox.link.client import Client
from barbox.link.find import open_box
from barbox.records import Event, Status


@click.command("watch", short_help="Live view of the box.")
@options.box_option
@options.for_option
@click.option("--every", "every_s", type=options.Number(min=0), default=1.0, show_default=True, metavar="SECONDS",
              help="Time between two lines; 0 shows every status.")  # fmt: skip
@click.option("--block", is_flag=True, help="All that is known each time, several lines.")
@options.json_option
def command(url: str | None, for_s: float | None, every_s: float, block: bool, as_json: bool) -> None:
    """Show what the box does: a line of figures a second, and a sentence whenever something changes.

    Ctrl-C ends it.
    """
    options.run(watch(url, for_s, View(every_s, block, as_json)))


async def watch(url: str | None, for_s: float | None, view: View) -> None:
    """Show records until `for_s` has passed. Raises BoxError when the box stops answering."""
    client = await open_box(url)
    try:
        stream = client.subscribe()
        view.begin(client, words.Layout(await client.read_values(words.NEEDED), client.identity))
        loop = asyncio.get_running_loop()
        end_s = None if for_s is None else loop.time() + for_s
        while end_s is None or loop.time() < end_s:
            record = await stream.next(None if end_s is None else end_s - loop.time())
            if record is not None:
                view.show(record)
    finally:
        await client.close()
        view.end(client)


class View:
    """Decides what of the stream is printed; time is the box's own."""

    def __init__(self, every_s: float, block: bool, as_json: bool) -> None:
        self._every_ms = every_s * 1000
        self._block = block
        self._as_json = as_json
        self._shown_ms: int | None = None
        self._said: list[str] = []
        self._layout: words.Layout

    def begin(self, client: Client, layout: words.Layout) -> None:
        """The box answers."""
        self._layout = layout
        who = client.identity
        if not self._as_json:
            fold.say(
                f"{client.link.url}: {who.rig or 'no rig applied'}, board {who.board}, firmware {who.firmware}, "
                f"string voltages within {who.uncertainty_mv / 1000:.2f} V (95 %)"
                + "".join([f", {s.name} {grows}" for s in layout.sides if (grows := s.uncertainty.growth_words)])
            )

    def show(self, record: Status | Event) -> None:
        """One record."""
        if isinstance(record, Event):
            if self._as_json:
                options.echo_json(words.as_json(record, self._layout))
            else:
                fold.say(f"{words.clock(record.time_ms)} * {words.event_text(record)}")
        elif self._due(record.time_ms):
            if self._as_json:
                options.echo_json(words.as_json(record, self._layout))
            elif self._block:
                fold.say("\n".join(words.block(record, self._layout)))
            else:
                self._line(record)

    def end(self, client: Client) -> None:
        """What was lost on the way."""
        if not self._as_json and (client.missed or client.bad_frames):
            fold.say(f"lost on the way: {client.missed} records, {client.bad_frames} bad frames")

    def _due(self, time_ms: int) -> bool:
        # A box that restarted counts from 0 again.
        if self._shown_ms is not None and 0 <= time_ms - self._shown_ms < self._every_ms:
            return False
        self._shown_ms = time_ms
        return True

    def _line(self, status: Status) -> None:
        fold.say(words.line(status, self._layout))
        said = words.explain(status, self._layout)
        for text in said:
            if text not in self._said:
                fold.say(f"          {text}")
        self._said = said
