"""`barbox demo`: a whole ride on the simulated board."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from barbox import fold
from barbox.cli import options
from barbox.errors import AnswerNo


@click.command(
    help="Ride the example trike for twelve minutes of virtual time on the simulated board, which runs the real "
    "firmware: a refused arming, laps, a blown sense fuse, a weak section, cutback, the stop loop. Prints what "
    "happened and whether the protections did what they should (exit 0) or not (exit 1); writes the ride, a "
    "picture and a summary."
)
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), default=Path("demo-out"), show_default=True,
              help="Folder for demo.ride, demo.png and summary.json; what is there is replaced.")  # fmt: skip
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=1, show_default=True,
              help="Draws part tolerances and noise; the same seed gives the same files.")  # fmt: skip
@options.json_option
def command(out: Path, seed: int, as_json: bool) -> None:
    from barbox.demo import ride

    live = sys.stderr.isatty()

    def progress(share: float, words: str) -> None:
        if live:
            click.echo(f"\r\x1b[K{100 * share:3.0f} %  {words}", nl=False, err=True)

    result = options.run(ride.run(out, seed, progress))
    if live:
        click.echo("\r\x1b[K", nl=False, err=True)
    if as_json:
        options.echo_json(result.summary)
    else:
        fold.say("\n".join(result.account))
        click.echo()
        for c in result.checks:
            fold.say(f"{'held  ' if c.held else 'FAILED'}  {c.what}: {c.measured}")
        click.echo()
        fold.say("Written: " + ", ".join(str(p) for p in result.paths))
        click.echo("Simulated throughout: nothing here has run on a physical board.")
    if not result.passed:
        raise AnswerNo("a protection did not do what it should; see the checks that FAILED")
