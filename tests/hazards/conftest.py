"""Hazards strike the real firmware in a MicroPython VM on the simulated board. Linux and macOS only."""

import pytest

from barbox.sim import vm


def pytest_collection_modifyitems(items):
    if not vm.available():
        for item in items:
            if "tests/hazards" in item.path.as_posix():
                item.add_marker(pytest.mark.skip(reason="needs the extra `sim`"))
