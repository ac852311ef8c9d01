"""The command line: one table of commands, each loaded only when it is called."""

from __future__ import annotations

import os
import sys
from importlib import import_module

import click

from barbox import fold
from barbox.errors import BarboxError, UserError

# name: (module under barbox.cli, whether it needs the simulated board, one line of help)
COMMANDS = {
    "demo": ("demo", True, "A whole ride on the simulated board, recorded and shown."),
    "sim": ("sim", True, "A simulated box on a pseudo-terminal, for trying every other command."),
    "boxes": ("boxes", False, "The boxes that are there."),
    "new": ("new", False, "Write a commented rig sheet."),
    "apply": ("apply", False, "Write a rig's settings to the box, after showing what changes."),
    "settings": ("settings", False, "Show, get, set, save, load or compare settings of the box."),
    "calibrate": ("calibrate", False, "Voltage sensing against a meter; the lever's end points."),
    "faults": ("faults", False, "What went wrong: counters and events that survive a reset."),
    "bench": ("bench", False, "The throttle curve, tied down; and the proof that it stops."),
    "watch": ("watch", False, "Live view of the box."),
    "record": ("record", False, "Record a live ride to a file."),
}


class Commands(click.Group):
    """The table above as a click group; help comes from the table, so that it imports no command."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, needs_board, help = COMMANDS[cmd_name]
        if needs_board and sys.platform == "win32":
            return _not_here(cmd_name, help)
        return import_module(f"barbox.cli.{module}").command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, help) for name, (_, _, help) in COMMANDS.items()])


def _not_here(name: str, help: str) -> click.Command:
    def callback() -> None:
        raise UserError(f"barbox {name} runs the simulated board, which needs Linux or macOS")

    settings = {"ignore_unknown_options": True, "allow_extra_args": True}
    return click.Command(name, callback=callback, help=help, context_settings=settings)


def _version(ctx: click.Context, _: click.Parameter, value: bool) -> None:
    if value:
        from importlib.metadata import version

        click.echo(f"barbox {version('barbox')}")
        ctx.exit()


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.option(
    "--version", is_flag=True, is_eager=True, expose_value=False, callback=_version, help="Show the version."
)
def group() -> None:
    """The host's side of a handlebar box for electric ducted fans.

    Exit codes: 0 done, 1 the answer is no, 2 a mistake in what was asked, 3 the box or the link failed.
    """


def main(args: list[str] | None = None) -> None:
    """Run a command and exit: a failure is one sentence on stderr, never a traceback."""
    sys.exit(run(args))


def run(args: list[str] | None = None) -> int:
    """Run a command; returns the exit code."""
    try:
        result = group.main(args, prog_name="barbox", standalone_mode=False)
        return result if isinstance(result, int) else 0
    except BarboxError as error:
        return _tell(str(error), error.exit_code)
    except click.UsageError as error:
        path = error.ctx.command_path if error.ctx else "barbox"
        # click 8.1 prints the help by itself.
        if isinstance(error, getattr(click.exceptions, "NoArgsIsHelpError", ())):
            click.echo(error.ctx.get_help() if error.ctx else "", err=True)
            return 2
        return _tell(f"{error.format_message().rstrip('.')}; see {path} --help", 2)
    except click.ClickException as error:
        return _tell(error.format_message(), 2)
    except (click.Abort, KeyboardInterrupt):
        return 130  # 128 + SIGINT, as a shell reports it
    except BrokenPipeError:
        # The reader of a pipe went away (`| head`); keep the interpreter from complaining at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


def _tell(sentence: str, exit_code: int) -> int:
    fold.say(f"barbox: {' '.join(sentence.split())}", err=True)
    return exit_code
