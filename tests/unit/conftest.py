"""For tests of commands."""

import pytest

from barbox.cli import main as cli


@pytest.fixture
def barbox(capsys):
    """Run a command; gives (exit code, stdout, stderr)."""

    def call(*args):
        code = cli.run([str(a) for a in args])
        out = capsys.readouterr()
        assert "Traceback" not in out.err
        return code, out.out, out.err

    return call
