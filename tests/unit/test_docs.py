"""The documents against the tree and the code: links, paths, commands, tables, tests that are named."""

import importlib.util
import re
import shlex
import sys
from pathlib import Path

import click
import pytest

from barbox.cli.main import COMMANDS, group

ROOT = Path(__file__).resolve().parents[2]


def _load_tables():
    spec = importlib.util.spec_from_file_location("tables", ROOT / "tools" / "tables.py")
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


tables = _load_tables()
DOCUMENTS = {name: (ROOT / name).read_text(encoding="utf-8") for name in tables.DOCUMENTS}
every_document = pytest.mark.parametrize("name", DOCUMENTS)


def _anchor(heading: str) -> str:
    """The anchor of a heading, as the common forges make it."""
    return re.sub(r"[^\w\- ]", "", heading.strip().lower()).replace(" ", "-")


def _without_code(text: str) -> str:
    return re.sub(r"```.*?```", "", text, flags=re.DOTALL)


@every_document
def test_tables_are_those_of_the_code(name):
    assert tables.fill(DOCUMENTS[name]) == DOCUMENTS[name], "run `make tables`"


def test_every_table_stands_in_a_document():
    marked = re.findall(r"<!-- begin (\w+) -->", "".join(DOCUMENTS.values()))
    assert sorted(marked) == sorted(tables.TABLES)


@every_document
def test_links_resolve(name):
    here = ROOT / name
    for target in re.findall(r"\[[^\]]*\]\(([^)\s]+)\)", _without_code(DOCUMENTS[name])):
        path, _, anchor = target.partition("#")
        file = (here.parent / path).resolve() if path else here
        assert file.exists(), target
        if anchor:
            headings = re.findall(r"^#+ (.*)$", file.read_text(encoding="utf-8"), re.MULTILINE)
            assert anchor in [_anchor(h) for h in headings], target


@every_document
def test_paths_that_are_named_exist(name):
    folders = "firmware|shared_proto|host|tests|tools|hardware_notes"
    for path in re.findall(rf"`((?:{folders})/[\w./-]*)`", DOCUMENTS[name]):
        assert (ROOT / path).exists(), path


@every_document
def test_make_targets_that_are_named_exist(name):
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    targets = re.findall(r"^([\w-]+):", makefile, re.MULTILINE)
    named = re.findall(r"`make ([\w-]+)", DOCUMENTS[name]) + re.findall(r"^    make ([\w-]+)", DOCUMENTS[name], re.M)
    assert set(named) <= set(targets)


def _command_lines(text: str) -> list[str]:
    in_code = re.findall(r"`barbox ([^`]+)`", text)
    in_blocks = re.findall(r"^    (?:\S*[/\\])?barbox ([^#\n]+)", text, re.MULTILINE)
    return in_code + in_blocks


@every_document
def test_commands_and_options_that_are_named_exist(name):
    context = click.Context(group)
    for line in _command_lines(DOCUMENTS[name]):
        words = shlex.split(line)
        if words[0].startswith("-") or words[0] == "COMMAND":
            continue
        assert words[0] in COMMANDS, line
        if COMMANDS[words[0]][1] and sys.platform == "win32":
            continue
        command = group.get_command(context, words[0])
        while isinstance(command, click.Group) and len(words) > 1:
            words.pop(0)
            command = command.get_command(click.Context(command), words[0])
        assert command is not None, line
        known = {o for p in command.params for o in (*p.opts, *p.secondary_opts)}
        known |= set(command.get_help_option_names(click.Context(command))) | {"--help"}
        assert {w for w in words[1:] if w.startswith("--")} <= known, line


def test_planned_commands_are_not_there_yet():
    match = re.search(r"^Planned, not there yet: (.*)\.$", DOCUMENTS["README.md"], re.MULTILINE)
    assert match
    assert not set(re.findall(r"`(\w+)`", match[1])) & set(COMMANDS)


def test_the_tree_is_there_and_no_folder_is_left_out():
    match = re.search(r"```tree\n(.*?)```", DOCUMENTS["DEVELOPERS.md"], re.DOTALL)
    assert match
    named, parents = set(), []
    for line in match[1].splitlines():
        entry = line.split()[0]
        depth = (len(line) - len(line.lstrip())) // 2
        parents[depth:] = [entry]
        path = "".join(parents[: depth + 1])
        assert (ROOT / path).exists(), path
        named.add(path.rstrip("/"))
    for top in ("firmware", "host/barbox", "tests"):
        for folder in (ROOT / top).iterdir():
            if folder.is_dir() and any(folder.glob("*.py")):
                assert folder.relative_to(ROOT).as_posix() in named


def test_hazards_name_tests_that_exist():
    named = re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", DOCUMENTS["hardware_notes/hazards.md"])
    assert named
    for path, test in set(named):
        assert f"def {test}(" in (ROOT / path).read_text(encoding="utf-8"), f"{path}::{test}"


def _hazard_rows() -> str:
    """hazards.md without the table of settings, which comes from the code."""
    return re.sub(r"<!-- begin setting_hazards -->.*?<!-- end setting_hazards -->", "",
                  DOCUMENTS["hardware_notes/hazards.md"], flags=re.DOTALL)


def _hazards() -> dict[str, list[tuple[str, str]]]:
    """Section of hazards.md -> (name of the hazard, what its last column says)."""
    sections: dict[str, list[tuple[str, str]]] = {}
    rows: list[tuple[str, str]] = []
    for line in _hazard_rows().splitlines():
        if line.startswith("## "):
            rows = sections.setdefault(line[3:], [])
        elif line.startswith("| ") and "---" not in line:
            cells = [cell.strip() for cell in line.strip("|").split("|")]
            assert len(cells) == 7 and all(cells), line
            if cells[0] != "hazard":
                rows.append((cells[0], cells[6]))
    return sections


def _test_name(hazard: str) -> str:
    """The test of a hazard has the hazard's name."""
    return "test_" + re.sub(r"[^a-z0-9]+", "_", hazard.lower()).strip("_")


def test_every_hazard_has_its_test_and_every_test_its_hazard():
    written = {}
    for file in (ROOT / "tests" / "hazards").glob("test_hazards_*.py"):
        for name in re.findall(r"^(?:async )?def (test_\w+)\(", file.read_text(encoding="utf-8"), re.MULTILINE):
            assert name not in written, f"{name} stands twice"
            written[name] = f"`tests/hazards/{file.name}::{name}`"
    wanted = {}
    for rows in _hazards().values():
        for hazard, shown_by in rows:
            name = _test_name(hazard)
            assert name not in wanted, f"{hazard} stands twice"
            wanted[name] = shown_by
            if name in written:
                assert written[name] in shown_by, f"{hazard}: its row does not name {written[name]}"
            else:
                elsewhere = r"hardware only|`tests/(board/test_bench|unit/test_core_bench)"
                assert re.search(elsewhere, shown_by), f"{hazard}: no test {name}"
    assert not set(written) - set(wanted), "tests of hazards that have no row"


def test_every_hazard_has_all_columns_and_says_what_shows_it():
    rows = [line for line in _hazard_rows().splitlines() if line.startswith("| ")]
    rows = [[cell.strip() for cell in row.strip("|").split("|")] for row in rows if "---" not in row]
    assert len(rows) > 50
    for row in rows:
        assert len(row) == 7 and all(row), row
        if row[0] != "hazard":
            assert re.search(r"::test_|hardware only", row[6]), row
