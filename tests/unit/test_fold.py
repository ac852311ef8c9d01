"""Text for terminals of any width."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from barbox import fold

HEAD = ["demand", "left now", "left new", "left draws", "right now"]
ROWS = [["0 %", "0.0 %", "0.0 %", "0.0 A", "0.0 %"], ["100 %", "100.0 %", "92.2 %", "120.3 A", "100.0 %"]]


@pytest.fixture
def wide(monkeypatch):
    return lambda columns: monkeypatch.setenv("COLUMNS", str(columns))


def test_words_stay_whole_and_what_follows_stands_further_in(wide):
    wide(30)
    assert fold.fold("  hold the lever past half, or the arm button") == (
        "  hold the lever past half,\n    or the arm button"
    )


def test_numbers_stand_to_the_right_below_each_other(wide):
    wide(80)
    assert fold.table(HEAD, ROWS) == [
        "demand  left now  left new  left draws  right now",
        "0 %        0.0 %     0.0 %       0.0 A      0.0 %",
        "100 %    100.0 %    92.2 %     120.3 A    100.0 %",
    ]


def test_a_table_too_wide_comes_in_pieces_that_say_what_each_row_is(wide):
    wide(30)
    assert fold.table(HEAD, ROWS) == [
        "demand  left now  left new",
        "0 %        0.0 %     0.0 %",
        "100 %    100.0 %    92.2 %",
        "demand  left draws  right now",
        "0 %          0.0 A      0.0 %",
        "100 %      120.3 A    100.0 %",
    ]
    assert len(fold.table(HEAD, ROWS, whole=True)) == 3


def test_wide_columns_are_folded_after_words_and_commas(wide):
    wide(40)
    rows = [("setting", "box", "unit"), ("side1.curve", "0,316,447,548,632,707", "per mille"), ("rig", "trike", "")]
    assert fold.columns(rows, whole=False).splitlines() == [
        "setting      box              unit",
        "side1.curve  0,316,447,548,   per mille",
        "             632,707",
        "rig          trike",
    ]
    assert fold.columns(rows).splitlines()[1] == "side1.curve  0,316,447,548,632,707  per mille"  # no terminal


def test_labels_stand_beside_what_they_mean(wide):
    wide(40)
    assert fold.labelled([("a", "press the arm button; again: release it"), ("up, down", "lever by 5 %")]) == [
        "  a         press the arm button;",
        "            again: release it",
        "  up, down  lever by 5 %",
    ]


def test_the_first_way_to_put_it_that_fits(wide):
    wide(11)
    assert fold.first_fitting("left 1000 us", "left 0 N") == "left 0 N"
    assert fold.first_fitting("left 1000 us", "left 1000 N") == "left 1000 "


@given(st.integers(10, 120), st.data())
def test_every_cell_is_there_and_no_line_is_longer_than_it_must(columns, data):
    count = data.draw(st.integers(2, 8))
    words = st.text("abcdefgh", min_size=1, max_size=20)
    rows = data.draw(st.lists(st.lists(words, min_size=count, max_size=count), min_size=1, max_size=5))
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("COLUMNS", str(columns))
        lines = fold.table(rows[0], rows[1:])
    widest = [max(len(row[n]) for row in rows) for n in range(count)]
    assert max(map(len, lines)) <= max(columns - 1, widest[0] + 2 + max(widest[1:]))
    pieces = len(lines) // len(rows)
    for n, row in enumerate(rows):
        own = [lines[piece * len(rows) + n].split() for piece in range(pieces)]
        assert [cell for line in own for cell in line[1:]] == row[1:]
        assert all(line[0] == row[0] for line in own)
