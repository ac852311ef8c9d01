"""`tools/board.py` deletes nothing that it did not make, and leaves nothing half made."""

import runpy
import sys
from pathlib import Path

import pytest

from tools import board


def files_in(folder):
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.fixture
def quick(monkeypatch):
    monkeypatch.setattr(board, "prepare", lambda files: {"main.py": b"pass"})
    monkeypatch.setattr(board, "compiled", lambda prepared: {"main.mpy": b"M"})


def test_it_makes_a_folder_and_makes_it_anew(tmp_path, quick):
    out = tmp_path / "deep" / "out"
    assert board.main(out) == 0
    made = files_in(out)
    assert made == {"files/main.mpy": b"M", "frozen/main.py": b"pass", "frozen/manifest.py": board.MANIFEST}
    (out / "files" / "gone.mpy").write_bytes(b"of an older firmware")
    assert board.main(out) == 0
    assert files_in(out) == made
    assert list((tmp_path / "deep").iterdir()) == [out]


def test_an_empty_folder_will_do(tmp_path, quick):
    assert board.main(tmp_path) == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == ["files", "frozen"]


@pytest.mark.parametrize("names", [["precious"], ["files"], ["files/a", "frozen/manifest.py"]])
def test_what_it_did_not_make_stays(tmp_path, capsys, quick, names):
    for name in names:
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(b"somebody's")
    before = files_in(tmp_path)
    assert board.main(tmp_path) == 2
    assert files_in(tmp_path) == before
    assert capsys.readouterr().err.count("\n") == 1


def test_the_folder_that_one_stands_in(tmp_path, monkeypatch, quick):
    here = tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    assert board.main(Path(".")) == 0
    assert sorted(path.name for path in here.iterdir()) == ["files", "frozen"]
    assert list(tmp_path.iterdir()) == [here]


def test_a_folder_must_be_named(capsys, monkeypatch):
    monkeypatch.setattr(sys, "argv", ["board.py"])
    with pytest.raises(SystemExit) as ended:
        runpy.run_path(board.__file__, run_name="__main__")
    assert ended.value.code == 2 and capsys.readouterr().err.count("\n") == 1


def test_firmware_that_does_not_compile_leaves_the_old_folder(tmp_path, monkeypatch, quick):
    assert board.main(tmp_path / "out") == 0
    before = files_in(tmp_path)

    def fails(prepared):
        raise SyntaxError

    monkeypatch.setattr(board, "compiled", fails)
    with pytest.raises(SyntaxError):
        board.main(tmp_path / "out")
    assert files_in(tmp_path) == before
