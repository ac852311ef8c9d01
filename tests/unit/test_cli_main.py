"""The command line as a whole: the table, exit codes, one sentence for each failure."""

import subprocess
import sys
from types import SimpleNamespace

import click
import pytest

from barbox import errors
from barbox.cli import main


@pytest.fixture
def command(monkeypatch):
    """Makes `barbox watch` do what the test says."""

    def become(callback):
        fake = SimpleNamespace(command=click.Command("watch", callback=callback))
        monkeypatch.setattr(main, "import_module", lambda name: fake)

    return become


def test_help_names_every_command_and_loads_none():
    code = (
        "import sys; from barbox.cli import main; code = main.run(['--help']); "
        "heavy = {'numpy', 'matplotlib', 'serial', 'asyncio', 'shared_proto'} & set(sys.modules); "
        "sys.exit(code or str(heavy or ''))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "") or done.stderr == "\n", done.stderr
    for name in main.COMMANDS:
        assert f"\n  {name} " in done.stdout


def test_version(capsys):
    assert main.run(["--version"]) == 0
    assert capsys.readouterr().out.startswith("barbox ")


@pytest.mark.parametrize(
    ("error", "code"),
    [(errors.AnswerNo, 1), (errors.UserError, 2), (errors.BoxError, 3), (errors.BarboxError, 1)],
)
def test_a_failure_is_one_sentence_and_its_exit_code(command, capsys, error, code):
    def fail():
        raise error("this went\nwrong")

    command(fail)
    assert main.run(["watch"]) == code
    told = capsys.readouterr()
    assert (told.out, told.err) == ("", "barbox: this went wrong\n")


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["wach"], "No such command 'wach'"),
        (["--nonsense"], "No such option"),
        (["watch", "--for", "never"], "Invalid value for '--for'"),
        (["watch", "--for", "-1"], "Invalid value for '--for'"),
        (["record", "a", "b"], "unexpected extra argument"),
        (["watch", "--box", "ble:trike"], "serial ports only"),
    ],
)
def test_a_mistake_in_what_was_asked(capsys, args, words):
    assert main.run(args) == 2
    told = capsys.readouterr().err
    assert words in told and told.count("\n") == 1 and told.startswith("barbox: ")


def test_a_box_that_is_not_there(capsys, tmp_path):
    assert main.run(["watch", "--box", str(tmp_path / "none")]) == 3
    assert "there is no such port" in capsys.readouterr().err


def test_ctrl_c_ends_without_words(command, capsys):
    def interrupt():
        raise KeyboardInterrupt

    command(interrupt)
    assert main.run(["watch"]) == 130
    assert "Traceback" not in capsys.readouterr().err


def test_windows_says_what_the_simulated_board_needs(monkeypatch, capsys):
    monkeypatch.setattr(sys, "platform", "win32")
    for name, (_, needs_board, _) in main.COMMANDS.items():
        if needs_board:
            assert main.run([name, "--any", "thing"]) == 2
            assert "needs Linux or macOS" in capsys.readouterr().err


def test_main_exits_with_the_code(command):
    def fail():
        raise errors.BoxError("x")

    command(fail)
    with pytest.raises(SystemExit) as ended:
        main.main(["watch"])
    assert ended.value.code == 3
