"""What is told about a heavy negative that drops too much; worked by hand beside the test of `apply`."""

import pytest

from barbox.rig import read
from barbox.rig.cautions import cautions
from barbox.rig.template import example_text

EXAMPLE = example_text()


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("lead_mm2 = 16", "lead_mm2 = 16", ""),
        ("lead_mm2 = 16", "lead_mm2 = 16\ncontacts_mohm = 2.5", "lead and contacts may have 1.72 milliohm together"),
        ("current_a = [0.1, 4.2, 11.6, 21, 32, 44, 58, 72, 86, 101, 116]\n", "", ""),  # 4000 W / 0.9 / 37 V: 144 A
        ("lead_mm2 = 16", "lead_mm2 = 14", "at 14 mm2 it may be 0.99 m long, or at 1 m it needs 15 mm2"),
    ],
)
def test_cautions_of_a_heavy_negative(old, new, told):
    rig = read(EXAMPLE.replace(old, new).encode())
    found = cautions(rig)
    assert [text.endswith(told) for text in found] == ([True] * 2 if told else [])


def test_no_caution_where_the_negative_is_not_sensed():
    text = EXAMPLE.replace("lead_mm2 = 16", "lead_mm2 = 6")
    lines = [line for line in text.splitlines() if not line.startswith("negative =")]
    assert cautions(read("\n".join(lines).encode())) == []
