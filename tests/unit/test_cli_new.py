"""Command new, through the command line."""

import pytest

from barbox.rig import load
from barbox.rig.template import example_text

EXAMPLE = example_text()


def test_new_writes_a_sheet_that_loads(barbox, tmp_path):
    path = tmp_path / "my rig.toml"
    code, out, err = barbox("new", path, "--sides", "port,starboard", "--cells", 12)
    assert (code, err) == (0, "")
    assert out == f"{path}: a sheet to start from; correct it line by line, then `barbox apply {path}`\n"
    rig = load(path)
    assert (rig.name, [s.name for s in rig.sides], rig.sides[1].cells) == ("my-rig", ["port", "starboard"], 12)


def test_new_does_not_overwrite_unless_forced(barbox, tmp_path):
    sheet = tmp_path / "trike.toml"
    sheet.write_text(EXAMPLE)
    code, out, err = barbox("new", sheet)
    assert (code, out) == (2, "")
    assert err == f"barbox: {sheet}: exists already; choose another name, or overwrite it with --force\n"
    assert sheet.read_text() == EXAMPLE
    assert barbox("new", sheet, "--force")[0] == 0
    assert sheet.read_text() != EXAMPLE
    assert [p.name for p in sheet.parent.iterdir()] == ["trike.toml"]


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["--board", "mega"], "--board mega is no board; known boards: pico_w, pico"),
        (["--cells", 40], "--cells 40 is outside 1..14: count the cells in series of one string"),
        (["--sides", "a,b,c,d,e"], "--sides names 5 sides, a box has room for 4: name fewer"),
        (
            ["--sides", "a,b,c", "--board", "pico"],
            "--sides names 3 sides, board pico senses 2: name fewer or another board",
        ),
    ],
)
def test_new_refuses(barbox, tmp_path, args, said):
    code, _, err = barbox("new", tmp_path / "x.toml", *args)
    assert (code, err) == (2, f"barbox: {said}\n")
    assert not list(tmp_path.iterdir())


def test_new_where_nothing_can_be_written(barbox, tmp_path):
    code, _, err = barbox("new", tmp_path / "none" / "x.toml")
    assert code == 2
    assert err.endswith("cannot be written (No such file or directory); choose another place\n")


def test_new_with_a_bad_side_name(barbox, tmp_path):
    code, _, err = barbox("new", tmp_path / "x.toml", "--sides", "left,2nd")
    assert code == 2
    assert 'side[2].name is "2nd": write a letter' in err
    assert not list(tmp_path.iterdir())
