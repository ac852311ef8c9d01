"""Imports point one way."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
FIRMWARE = {"core", "drivers", "services", "boards", "main", "box"}


def _imports(path: Path) -> set[str]:
    """Modules that a file imports, at the top or inside a function; relative ones as the package's own."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found.add(node.module or "")
    return found


def _tops(path: Path) -> set[str]:
    return {name.split(".")[0] for name in _imports(path)}


def _files(folder: str) -> list[Path]:
    return sorted((ROOT / folder).rglob("*.py"))


@pytest.mark.parametrize(
    ("folder", "allowed"),
    [
        ("shared_proto", {"struct", "binascii", "shared_proto"}),
        ("firmware/core", {"core", "shared_proto", "array", "micropython"}),
    ],
)
def test_what_runs_on_both_vms_imports_almost_nothing(folder, allowed):
    for path in _files(folder):
        assert _tops(path) <= allowed, path


def test_board_files_have_no_logic_to_import():
    for path in _files("firmware/boards"):
        assert not _imports(path), path


@pytest.mark.parametrize(("folder", "other"), [("firmware/drivers", "services"), ("firmware/services", "drivers")])
def test_drivers_and_services_do_not_import_each_other(folder, other):
    for path in _files(folder):
        assert other not in _tops(path), path


def test_drivers_know_nothing_of_the_core():
    for path in _files("firmware/drivers"):
        assert "core" not in _tops(path), path


def test_the_host_never_imports_firmware_and_nothing_imports_the_command_line():
    for path in _files("host/barbox"):
        names = _imports(path)
        if "hal" in path.parts:
            # boot.py is the board's own start-up: it imports what the board would.
            continue
        assert not {n.split(".")[0] for n in names} & FIRMWARE, path
        if "cli" not in path.parts:
            assert not [n for n in names if n.startswith("barbox.cli")], path
