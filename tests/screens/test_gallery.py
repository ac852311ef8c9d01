"""Every screen of a made-up state of the box against the one that was looked at, kept in `gallery/`.

Two rows of pixels to a line: `"` upper lit, `.` lower lit, `#` both. After a change of the screens, look at
them before they become the measure:

    python tests/screens/test_gallery.py FOLDER    writes gallery/ anew, and a picture of each screen to FOLDER
"""

import os
import subprocess
import sys
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from barbox.sim import vm
from barbox.sim.letters import read
from barbox.sim.panel import Panel
from barbox.sim.screenshot import pixels, rows, save_png
from shared_proto import states

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
KEPT = HERE / "gallery"
RUN = "import sys; from micropython_unix import run_main; sys.exit(run_main(['micropython'] + sys.argv[1:]))"

pytestmark = pytest.mark.skipif(not vm.available(), reason="needs the extra `sim`")


@cache
def drawn() -> dict[str, np.ndarray]:
    """Name of a screen -> its pixels."""
    done = subprocess.run(
        [sys.executable, "-c", RUN, str(HERE / "gallery.py")],
        env={**os.environ, "MICROPYPATH": f"{ROOT / 'firmware'}:{ROOT}:.frozen"},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-300:] + done.stderr[-2000:]
    screens = {}
    for line in done.stdout.splitlines():
        name, memory = line.split()
        panel = Panel()
        panel.display(255, 1)
        for group in range(128):
            panel.display(group, int.from_bytes(bytes.fromhex(memory[16 * group : 16 * group + 16]), "little"))
        screens[name] = panel.screen()
    return screens


def kept() -> list[str]:
    return sorted(path.stem for path in KEPT.glob("*.txt"))


def test_every_screen_is_kept():
    assert sorted(drawn()) == kept()


@pytest.mark.parametrize("name", kept())
def test_screen(name):
    assert rows(drawn()[name]) == (KEPT / f"{name}.txt").read_text().splitlines()


def test_text_and_pixels_are_the_same_picture():
    for screen in drawn().values():
        assert (pixels(rows(screen)) == screen).all()


@pytest.mark.parametrize("cause", range(1, len(states.CAUSES)))
def test_held_tells_all_of_the_cause_and_of_the_way_out(cause):
    name, why, clears = states.CAUSES[cause]
    said = " ".join(read(drawn()[f"held_{name.lower()}"]))
    assert said == f"HELD {why} {clears}"


@pytest.mark.parametrize("waits", range(1, len(states.WAITS)))
def test_locked_tells_all_of_what_it_waits_for(waits):
    name, plain, short = states.WAITS[waits]
    assert " ".join(read(drawn()[f"locked_{name.lower()}"])).startswith(f"LOCKED {short or plain} ")


@pytest.mark.parametrize(
    "name, large",
    [
        ("driving_low", "LOW"),
        ("driving_very_low", "VERY LOW"),
        ("driving_cutback", "CUTBACK"),
        ("driving_cutback_low", "LOW"),
        ("driving_sense", "SENSE 3"),
        ("driving_side", "SIDE"),
    ],
)
def test_what_is_wrong_stands_large_at_the_bottom_of_the_riding_screen(name, large):
    bottom = np.zeros((64, 128), bool)
    bottom[48:] = drawn()[name][48:]
    assert read(bottom) == [large]
    assert bottom[48:].mean() > 0.5  # dark on lit


def main() -> None:
    pictures = Path(sys.argv[1])
    pictures.mkdir(parents=True, exist_ok=True)
    KEPT.mkdir(exist_ok=True)
    for path in KEPT.glob("*.txt"):
        path.unlink()
    for name, screen in drawn().items():
        (KEPT / f"{name}.txt").write_text("\n".join(rows(screen)) + "\n")
        save_png(screen, pictures / f"{name}.png", 4)


if __name__ == "__main__":
    main()
