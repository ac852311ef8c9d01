"""The line of `barbox sim` that is drawn again and again."""

import os
from types import SimpleNamespace

import pytest

from barbox.sim.live import Live


def live():
    sides = [SimpleNamespace(name="left"), SimpleNamespace(name="right")]
    box = SimpleNamespace(
        now_s=6.24,
        port=SimpleNamespace(path="a port"),
        wiring=SimpleNamespace(lever=SimpleNamespace(position_pm=250), stop_closed=True, button=False),
        plant=SimpleNamespace(spec=SimpleNamespace(sides=sides)),
        last_pulse_us=lambda n: 1250,
        thrust_n=lambda n: 12.0,
        string_voltage_v=lambda n: 41.9,
    )
    return Live(box, [], print)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        (104, "   6.2 s  lever  25 %  stop closed  arm up  left 1250 us 12 N 41.9 V  right 1250 us 12 N 41.9 V"),
        (80, "   6.2 s  lever  25 %  stop closed  arm up  left 12 N 41.9 V  right 12 N 41.9 V"),
        (70, "   6.2 s  lever  25 %  stop closed  arm up  left 12 N  right 12 N"),
        (50, "   6.2 s  lever  25 %  stop closed  arm up  left "),
    ],
)
def test_the_line_takes_one_row(monkeypatch, columns, said):
    monkeypatch.setattr("shutil.get_terminal_size", lambda: os.terminal_size((columns, 24)))
    assert live().line() == said
