"""`barbox calibrate`: voltage sensing against a meter, and the lever's end points."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from barbox import fold
from barbox.cli import options
from barbox.cli.lines import Lines
from barbox.errors import AnswerNo, UserError
from barbox.link.find import open_box
from barbox.rig import load

if TYPE_CHECKING:
    from barbox.calibration.record import Record
    from barbox.calibration.sample import Sampler
    from barbox.calibration.session import Wanted
    from barbox.link.client import Client
    from barbox.rig.model import Rig


@click.command("calibrate", short_help="Voltage sensing against a meter; the lever's end points.")
@click.argument("path", metavar="RIG.toml", type=click.Path(path_type=Path))
@click.option("--meter", "meters", multiple=True, metavar="ACCURACY",
              help="Of the meter, from its data sheet, such as 0.5%+2d@60V/0.01: per cent of the reading, digits, "
              "range, what its last digit stands for. Once for each range that is used.")  # fmt: skip
@click.option("--points", "points_path", type=click.Path(path_type=Path), metavar="FILE.csv",
              help="Readings of the meter, for no questions: a line side,cells,reading for each point.")  # fmt: skip
@click.option("--input", "inputs", multiple=True, type=click.IntRange(1, 8), metavar="N",
              help="Only this sense input; may be given several times.")  # fmt: skip
@click.option("--gain-only", is_flag=True, help="Fit the gain alone, whatever number of points there is.")
@click.option("--afresh", is_flag=True, help="Leave out the points of earlier calibrations.")
@click.option("--verify", is_flag=True, help="Write nothing: say whether the calibration still holds.")
@click.option("--lever", is_flag=True, help="Learn the end points of the lever's tracks instead.")
@click.option("--picture", type=click.Path(path_type=Path), metavar="FILE.png", help="Draw the residuals.")
@click.option("--yes", is_flag=True, help="Write without asking.")
@click.option("--dry-run", is_flag=True, help="Show what would change and write nothing.")
@options.box_option
@options.json_option
def command(
    path: Path,
    meters: tuple[str, ...],
    points_path: Path | None,
    inputs: tuple[int, ...],
    gain_only: bool,
    afresh: bool,
    verify: bool,
    lever: bool,
    picture: Path | None,
    yes: bool,
    dry_run: bool,
    url: str | None,
    as_json: bool,
) -> None:
    """Calibrate the voltage sensing of a rig's box against a meter, at rest and LOCKED.

    It says which lead to touch, shows what the box reads and takes what the meter shows. One point for each sense
    point gives its gain. A second at another charge, now or on another day, gives its offset as well: earlier
    points are kept in RIG.calibrations.json beside the sheet and added. The result is shown with its uncertainty,
    and written after a question.
    """
    if as_json and not (verify or yes or dry_run):
        raise UserError("--json asks no question: add --yes to write, or --dry-run to look only")
    if as_json and points_path is None and not lever:
        raise UserError("--json asks no question: give the meter's readings with --points FILE.csv")
    if lever and (verify or points_path or meters):
        raise UserError("--lever learns the lever alone: leave --meter, --points and --verify out")
    if verify and (picture or dry_run):
        raise UserError("--verify writes and draws nothing: leave --picture and --dry-run out")
    from barbox.calibration.points import read_points
    from barbox.calibration.record import Record, path_beside
    from barbox.calibration.session import Wanted
    from barbox.calibration.steps import targets

    rig = load(path)
    typed = read_points(points_path, targets(rig)) if points_path else None
    wanted = Wanted(
        meter=meters,
        readings=typed.readings if typed else None,
        source=str(points_path or ""),
        mark=typed.mark if typed else "",
        inputs=[n - 1 for n in inputs],
        gain_only=gain_only,
        afresh=afresh,
        yes=yes,
        dry_run=dry_run,
    )
    talk = Terminal(Lines(0), quiet=as_json)
    record = Record.load(path_beside(path))
    if lever:
        options.run(_lever(url, rig, record, talk, wanted, as_json))
    elif verify:
        options.run(_verify(url, rig, record, wanted, talk, as_json))
    else:
        options.run(_calibrate(url, rig, record, wanted, talk, as_json, picture))


@asynccontextmanager
async def _box(url: str | None) -> AsyncIterator[Client]:
    """The box, for as long as it is needed. Ctrl-C is told in a sentence, which holds until the write begins; that
    is never broken off (`barbox.calibration.keep`)."""
    client = await open_box(url)
    try:
        yield client
    except asyncio.CancelledError:
        click.echo("barbox: interrupted; nothing was written", err=True)
        raise
    finally:
        await client.close()


async def _calibrate(
    url: str | None, rig: Rig, record: Record, wanted: Wanted, talk: Terminal, as_json: bool, picture: Path | None
) -> None:
    from barbox.calibration.record import result_json
    from barbox.calibration.session import Session

    async with _box(url) as client:
        out = await Session(client, rig, record, wanted, talk).calibrate()
    if out.written:
        talk.say(f"written and read back; kept in {record.path}")
    if picture:
        from barbox.calibration.picture import save

        save(out.results, picture, f"{rig.name}: meter less fitted line")
        talk.say(f"{picture}: residuals with their uncertainty")
    if as_json:
        inputs = [result_json(r, out.before[r.target.input]) for r in out.results]
        options.echo_json({"written": out.written, "record": str(record.path), "inputs": inputs})


async def _verify(
    url: str | None, rig: Rig, record: Record, wanted: Wanted, talk: Terminal, as_json: bool
) -> None:
    from barbox.calibration.session import Session

    async with _box(url) as client:
        rows = await Session(client, rig, record, wanted, talk).verify()
    if not rows:
        raise AnswerNo("no point was taken, so nothing is verified")
    if wanted.readings is None:
        talk.say("")  # after the questions
    for row in rows:
        if as_json:
            options.echo_json(row)
            continue
        since = "no record of its calibration" if row["calibrated"] else "never calibrated"
        if row["calibrated_on"]:
            since = f"calibrated {row['calibrated_on']}"
        talk.say(
            f"input {row['input']}, {row['name']}: box {row['box_v']:.3f} V "
            f"(+/- {row['box_expanded_mv']:.0f} mV), meter {row['meter_v']:g} V "
            f"(+/- {row['meter_expanded_mv']:.0f} mV): {row['difference_mv']:+.0f} mV, "
            f"normalised error {row['normalised_error']:.2f}, {'holds' if row['holds'] else 'does not hold'}; {since}"
        )
    wrong = [f"{row['input']}" for row in rows if not row["holds"]]
    if wrong:
        raise AnswerNo(
            f"the calibration of input {', '.join(wrong)} does not hold any more: look for the cause, then calibrate"
        )


async def _lever(
    url: str | None, rig: Rig, record: Record, talk: Terminal, wanted: Wanted, as_json: bool
) -> None:
    from barbox.calibration.lever import learn_lever

    async with _box(url) as client:
        out = await learn_lever(client, rig, record, talk, yes=wanted.yes, dry_run=wanted.dry_run)
    if out["written"]:
        talk.say(f"written and read back; kept in {record.path}")
    if as_json:
        options.echo_json(out)


class Terminal:
    """Speaks with a person. At a terminal the line above the question shows what the box reads, twice a second."""

    def __init__(self, lines: Lines, quiet: bool = False) -> None:
        self._lines = lines
        self._quiet = quiet
        self._folds = sys.stdout.isatty() and not quiet
        self._draws = self._folds and lines.is_terminal

    def say(self, text: str) -> None:
        """One or more lines; to stderr where stdout is for a script."""
        if self._folds:
            text = "\n".join([fold.fold(line) for line in text.split("\n")])
        click.echo(text, err=self._quiet)

    async def ask(self, question: str, sampler: Sampler, live: Callable[[], str]) -> str:
        """What the person types. Raises AnswerNo at the end of input."""
        above = live() if self._draws else ""
        if self._folds:
            question = fold.fold(question) + " "
        rows = 1 + question.count("\n")
        click.echo(f"{fold.cut(above)}\n{question}" if above else question, nl=False, err=self._quiet)
        typed = asyncio.ensure_future(self._lines.next())
        loop = asyncio.get_running_loop()
        shown_s = loop.time()
        try:
            await asyncio.sleep(0)  # a line that is there already waits for no status
            while not typed.done():
                await sampler.step()
                if above and loop.time() - shown_s > 0.5 and not typed.done():
                    shown_s = loop.time()
                    _above(live(), rows)
            text = typed.result()
        except BaseException:
            click.echo(err=self._quiet)
            raise
        finally:
            typed.cancel()
        if text is None:
            click.echo(err=self._quiet)
            raise AnswerNo("the input ended; nothing was written")
        return text.strip()

    async def agreed(self, question: str, sampler: Sampler) -> bool:
        """A yes; no without an answer."""
        try:
            text = await self.ask(f"{question} [y/N]: ", sampler, str)
        except AnswerNo:
            return False
        return text.lower() in ("y", "yes")


def _above(text: str, rows: int) -> None:
    """Draw the line so many rows above the cursor anew and leave the cursor, and what is typed, where they are
    (ECMA-48)."""
    sys.stdout.write(f"\x1b7\x1b[{rows}A\r{fold.cut(text)}\x1b[K\x1b8")
    sys.stdout.flush()
