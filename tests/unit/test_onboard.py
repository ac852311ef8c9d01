"""What a board gets is what stands in the sources, less words and names that cost heap."""

import ast

import pytest

from barbox.onboard import prepare
from barbox.sim.firmware import board_files
from shared_proto import messages, settings, states

SOURCES = board_files()
PREPARED = prepare(SOURCES)


def run(path: str) -> dict:
    space: dict = {}
    exec(compile(PREPARED[path], path, "exec"), space)
    return space


def one(text: str, path: str = "services/some.py") -> str:
    return prepare({**SOURCES, path: text.encode()})[path].decode()


@pytest.mark.parametrize("path", sorted(SOURCES))
def test_every_line_stays_where_it_was(path):
    ast.parse(PREPARED[path])
    assert PREPARED[path].count(b"\n") == SOURCES[path].count(b"\n")


def test_no_number_of_a_table_is_imported_by_name():
    numbers = {k for t in (messages, settings, states) for k, v in vars(t).items() if k.isupper() and type(v) is int}
    for path, content in PREPARED.items():
        for node in ast.walk(ast.parse(content)):
            if isinstance(node, ast.ImportFrom):
                assert not numbers & {alias.name for alias in node.names}, path


def test_messages_have_the_same_form():
    there = run("shared_proto/messages.py")["BY_KIND"]
    assert {k: (m.format, m.size, m.tail) for k, m in there.items()} == {
        m.kind: (m.format, m.size, m.tail) for m in messages.MESSAGES
    }
    body = there[messages.SETTING.kind].pack(7, 1, 2, b"rest")
    assert there[messages.SETTING.kind].unpack(body) == (messages.SETTING.kind, 7, 1, 2, b"rest")


def test_settings_have_the_same_rows_limits_and_defaults():
    there = run("shared_proto/settings.py")
    rows = [(s.group, s.name, s.code, s.low, s.high, s.default, s.count) for s in there["SETTINGS"]]
    assert rows == [(s.group, s.name, s.code, s.low, s.high, s.default, s.count) for s in settings.SETTINGS]
    assert there["ROWS"] == settings.ROWS
    assert there["Values"]().to_blob() == settings.Values().to_blob()
    assert str(settings.TABLE_CRC).encode() in PREPARED["services/requests.py"]


def test_words_that_the_box_shows_are_there_and_others_are_not():
    text = PREPARED["shared_proto/states.py"].decode()
    for row in states.CAUSES:
        assert row[1] in text and row[2] in text
    for row in states.REFUSALS:
        assert row[1] not in text
    assert "help" not in PREPARED["shared_proto/messages.py"].decode().split("HELLO")[1]
    assert settings.SETTINGS[0].help not in PREPARED["shared_proto/settings.py"].decode()


def test_numbers_stand_in_place_of_their_names():
    text = one(
        "from shared_proto import messages as m, states\n"
        "from shared_proto.states import (\n    HELD,\n    CAUSES,\n)\n"
        "_A, _B = 3, 4 * 5\n_C = _A | 1 << HELD\n_D = [HELD]\nPUBLIC = 6\n\n"
        "def f(c):\n    return (_A, _B, _C, _D, PUBLIC, states.LOCKED, m.MAJOR, m.STATUS, CAUSES[c][1], len(_D))\n"
    )
    assert text == (
        "from shared_proto import messages as m, states\n"
        "from shared_proto.states import CAUSES\n\n\n\n"
        "pass\npass\n_D = [3]\nPUBLIC = 6\n\n"
        "def f(c):\n    return (3, 20, 11, _D, PUBLIC, 0, 1, m.STATUS, CAUSES[c][1], len(_D))\n"
    )


def test_a_number_means_what_its_name_meant_wherever_it_stands():
    text = "_A = -1\n_B = 3\n\ndef f():\n    return _A ** 2, _B.to_bytes(1, 'big'), 2 - _A\n"
    assert one(text) == "pass\npass\n\ndef f():\n    return (-1) ** 2, (3).to_bytes(1, 'big'), 2 - (-1)\n"


def test_a_name_that_gets_another_value_stays_a_name():
    text = "_E = 3\n\ndef f():\n    try:\n        return 1 / 0\n    except ValueError as _E:\n        return _E\n"
    assert one(text) == text
    text = "_A = 3\n_B = 4\n_C = 5\n\ndef f(_B):\n    global _A\n    _A = 4\n    return _A + _B + _C\n"
    assert one(text) == text.replace("_C = 5", "pass").replace("+ _C", "+ 5")


def test_a_table_that_is_used_as_a_whole_keeps_its_words():
    text = prepare({**SOURCES, "x.py": b"from shared_proto.states import REFUSALS\nprint(REFUSALS)\n"})
    assert states.REFUSALS[2][1].encode() in text["shared_proto/states.py"]


def test_a_damaged_file_is_left_alone():
    assert one("def (:") == "def (:"
    assert prepare({**SOURCES, "shared_proto/states.py": b"STATES = ("})["shared_proto/states.py"] == b"STATES = ("
