"""Ride, record, check and write the demonstration."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from barbox.demo import checks, scenario
from barbox.demo.truth import Truth
from barbox.errors import UserError
from barbox.files import write_whole
from barbox.link.client import Client
from barbox.link.serial import SerialLink
from barbox.rides import account, figures, file, picture, record
from barbox.rig import Rig, load
from barbox.sim.board import SimBoard

_SLICE_S = 0.1
_BOOT_S = 3.0


@dataclass(frozen=True)
class Result:
    """What a demonstration came to."""

    account: list[str]
    checks: list[checks.Check]
    summary: dict[str, Any]
    paths: list[Path]

    @property
    def passed(self) -> bool:
        return all(c.held for c in self.checks)


def example_rig() -> Rig:
    """The example trike of this package."""
    return load(Path(str(files("barbox.examples").joinpath("trike.toml"))))


async def run(out: Path, seed: int, progress: Callable[[float, str], None]) -> Result:
    """Ride the scenario and write `demo.ride`, `demo.png` and `summary.json` into `out`, replacing them.

    `progress(share, words)` is called as it goes. Same seed, same files, byte for byte. Raises BoxError, UserError.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UserError(f"{out}: cannot be made ({error.strerror}); choose another folder with --out") from error
    rig = example_rig()
    box = SimBoard.from_rig(rig, seed=seed)
    scenario.prepare(box)
    ride_path = out / "demo.ride"
    truth = Truth()
    with box:
        box.advance(_BOOT_S)
        link = SerialLink(box.port.path)
        # Requests are sent while virtual time stands still, so a time-out of the host means that it hangs.
        client = Client(link, timeout_s=20.0, silence_s=None, first_number=1)
        await box.while_waiting(client.open(), link)
        try:
            await box.while_waiting(client.set_time(scenario.STARTED_UNIX_S), link)
            recorder = record.Recorder(client, ride_path, scenario.STARTED_UNIX_S, force=True, room=1 << 16)
            await box.while_waiting(recorder.start(), link)
            began_s = box.now_s
            await _ride(box, link, recorder, truth, progress)
            recorder.finish("the demonstration ended")
        finally:
            await client.close()
        values = rig.settings()
        ride = file.read(ride_path)
        summary = figures.summary(ride)
        found = checks.check(box, values, summary, truth, began_s)
    progress(1.0, "draw")
    summary = {"seed": seed, "checks": checks.as_dicts(found), "ride": summary}
    picture_path, summary_path = out / "demo.png", out / "summary.json"
    picture.save(ride, picture_path, "The example trike on the airfield loop (simulated)")
    write_whole(summary_path, json.dumps(summary, indent=1).encode() + b"\n")
    lines = [str(line) for line in account.account(ride)]
    return Result(lines, found, summary, [ride_path, picture_path, summary_path])


async def _ride(box: SimBoard, link, recorder: record.Recorder, truth: Truth, progress) -> None:
    began_s = box.now_s
    todo = scenario.acts()
    for act in todo:
        box.after(act.t_s, lambda act=act: act.do(box))
    done_s = 0.0
    while done_s < scenario.LENGTH_S:
        await box.ride(_SLICE_S, link)
        recorder.pump()
        done_s = box.now_s - began_s
        truth.sample(box, done_s)
        while todo and todo[0].t_s <= done_s:
            progress(done_s / scenario.LENGTH_S, todo.pop(0).say)

