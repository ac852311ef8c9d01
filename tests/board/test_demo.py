"""The demonstration holds as it is, and each of its checks can fail."""

import asyncio
from copy import deepcopy

import pytest

from barbox.cli import main
from barbox.demo import checks, ride, scenario
from barbox.demo.truth import Truth
from barbox.sim.board import LEFT


@pytest.fixture(scope="module")
def ridden(tmp_path_factory):
    """The result of one demonstration, and what its checks were made of."""
    seen = []

    def spy(*made_of):
        seen.append(made_of)
        return checks_of(*made_of)

    checks_of, checks.check = checks.check, spy
    try:
        result = asyncio.run(ride.run(tmp_path_factory.mktemp("demo"), 1, lambda share, words: None))
    finally:
        checks.check = checks_of
    return result, seen[0]


def failed(box, values, found, truth, began_s):
    return [c.what for c in checks.check(box, values, found, truth, began_s) if not c.held]


class Pulses:
    """A board of which only the pulses are left."""

    def __init__(self, box):
        self.made = [list(box.pulses(side)) for side in (0, 1)]

    def pulses(self, side):
        return self.made[side]


def test_it_passes_and_writes_what_it_says(ridden):
    result, _ = ridden
    assert result.passed and len(result.checks) == 10
    assert [p.name for p in result.paths] == ["demo.ride", "demo.png", "summary.json"]
    assert all(p.stat().st_size > 1000 for p in result.paths)


def _late_fuse(found):
    found["sense_faults"][0]["t_s"] = scenario.BLOWN_S + 0.25


def _fuse_taken_for_low(found):
    found["warnings"].append({"name": "LOW", "first_s": scenario.BLOWN_S + 1, "section": None})


def _cutback_first(found):
    found["cutbacks"][0]["first_s"] = 100.0


def _other_section(found):
    next(w for w in found["warnings"] if w["name"] == "LOW")["section"] = "left, upper section"


def _armed_too_easily(found):
    found["arming_refused"].clear()


def _missed(found):
    found["records_missed"] = 1


def _late_steps(found):
    found["overruns"] = 1


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (_late_fuse, "told as such"),
        (_fuse_taken_for_low, "not taken for a low pack"),
        (_cutback_first, "a warning first"),
        (_other_section, "it was named"),
        (_armed_too_easily, "was refused"),
        (_missed, "nothing was lost"),
        (_late_steps, "nothing was lost"),
    ],
)
def test_a_figure_that_is_wrong_fails_its_check(ridden, spoil, words):
    box, values, found, truth, began_s = ridden[1]
    found = deepcopy(found)
    spoil(found)
    said = failed(box, values, found, truth, began_s)
    assert len(said) == 1 and words in said[0]


def test_a_section_below_its_floor_fails(ridden):
    box, values, found, _, began_s = ridden[1]
    truth = Truth(t_s=[0.0, 0.1, 0.8, 0.9], lowest_v=[3.3, 3.24, 3.24, 3.4])
    assert "below its floor" in failed(box, values, found, truth, began_s)[0]


def test_pulses_that_are_wrong_fail(ridden):
    box, values, found, truth, began_s = ridden[1]
    early, apart, late = Pulses(box), Pulses(box), Pulses(box)
    early.made[LEFT].insert(0, (round((began_s + 5) * 1e6), 1100))
    early.made[1].insert(0, (round((began_s + 5) * 1e6), 1100))
    assert "no pulse above idle" in failed(early, values, found, truth, began_s)[0]
    rise, width = apart.made[LEFT][-900]
    apart.made[LEFT][-900] = (rise, width + 1)
    assert "eased together" in failed(apart, values, found, truth, began_s)[0]
    for side in (0, 1):
        late.made[side].append((round((began_s + scenario.STOP_S) * 1e6) + 24_500, 1100))
    assert "stop loop" in failed(late, values, found, truth, began_s)[0]


def test_a_folder_that_cannot_be_made_is_one_sentence(tmp_path, capsys):
    file = tmp_path / "file"
    file.write_text("")
    assert main.run(["demo", "--out", str(file / "inside")]) == 2
    said = capsys.readouterr().err
    assert "cannot be made" in said and "--out" in said and said.count("\n") == 1


def test_a_script_that_is_no_text_is_one_sentence(tmp_path, capsys):
    script = tmp_path / "script"
    script.write_bytes(b"\xff\xfe\x00")
    assert main.run(["sim", "--script", str(script), "--for", "1"]) == 2
    assert "line 1: begins with seconds" in capsys.readouterr().err
