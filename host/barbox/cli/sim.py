"""`barbox sim`: a simulated box on a pseudo-terminal, in real time."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from barbox import fold
from barbox.cli import options

_HELP = (
    "Run a simulated box in real time: the real firmware in a MicroPython VM, with the packs, fans and vehicle "
    "of RIG (left out: the example trike). Its port is a pseudo-terminal that every other command finds by "
    "itself; leave this running and use another terminal. Its sides count as proved, as if `barbox bench` had seen "
    "each of them stop.\n\nKeys, and lines typed after `:` (or given one a "
    "line when the input is no terminal):\n\n"
)


class _Command(click.Command):
    def format_help_text(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        from barbox.sim.live import words

        super().format_help_text(ctx, formatter)
        formatter.write(words() + "\n")


@click.command(cls=_Command, help=_HELP)
@click.argument("rig", required=False, type=click.Path(dir_okay=False, path_type=Path))
@click.option("--fresh", is_flag=True, help="A box without settings, as it is before the first `barbox apply`.")
@click.option("--script", type=click.Path(exists=True, dir_okay=False, path_type=Path),
              help="Lines of SECONDS and what to do, as in `12.5 lever 40`.")  # fmt: skip
@click.option("--for", "for_s", type=options.Number(min=0, min_open=True), metavar="SECONDS",
              help="Stop after this time.")  # fmt: skip
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=1, show_default=True,
              help="Draws part tolerances and noise.")  # fmt: skip
def command(rig: Path | None, fresh: bool, script: Path | None, for_s: float | None, seed: int) -> None:
    from barbox.demo.ride import example_rig
    from barbox.link.find import publish_sim_port
    from barbox.rig import load
    from barbox.sim.board import SimBoard
    from barbox.sim.hands import read_script
    from barbox.sim.live import Live

    sheet = load(rig) if rig else example_rig()
    steps = read_script(script.read_bytes().decode("utf-8", "replace"), str(script)) if script else []

    def tell(line: str) -> None:
        folded = "\n".join([fold.fold(part) for part in line.split("\n")])
        click.echo(f"\r\x1b[K{folded}" if sys.stdin.isatty() else line)

    withdraw = None
    with SimBoard.from_rig(sheet, applied=not fresh, seed=seed, keep_pulses=False, one_core=False) as box:
        live = Live(box, steps, tell)

        def publish(path: str) -> None:
            nonlocal withdraw
            if withdraw:
                withdraw()
            withdraw = publish_sim_port(path, f"simulated {sheet.name}")
            tell(f"The box is at {path}")

        live.on_new_path = publish
        publish(live.path)
        tell("In another terminal: barbox boxes, barbox watch, barbox settings show, barbox record. ? for keys.")
        try:
            live.run(for_s)
        finally:
            if withdraw:
                withdraw()
