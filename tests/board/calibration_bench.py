"""`barbox calibrate` as a person runs it, against the simulated board in virtual time, with a meter that errs."""

from __future__ import annotations

import asyncio
import json
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from barbox.calibration.meter import Range, parse_range
from barbox.calibration.record import path_beside
from barbox.cli import calibrate, main, options
from barbox.link.client import Client
from barbox.link.serial import SerialLink
from barbox.rig import read
from barbox.rig.boards import BOARDS
from barbox.rig.model import Rig
from barbox.rig.template import new_text
from barbox.sim.board import SimBoard
from shared_proto import messages
from shared_proto.settings import Values

LIMIT_S = 300.0  # of virtual time


def sheet_text(board: str = "pico_w", cells: int = 12, sides: Sequence[str] = ("left", "right")) -> str:
    """The sheet of a rig with strings of so many cells, untapped on the chip's own ADC."""
    return new_text("trike", list(sides), cells, BOARDS[board])


@dataclass
class SimMeter:
    """A meter whose gain and zero are off by so much, within what its data sheet says, and that rounds."""

    range: Range
    gain: float = 0.0
    zero_v: float = 0.0

    @classmethod
    def drawn(cls, text: str, rng: random.Random) -> SimMeter:
        r = parse_range(text)
        most_v = max(0.0, r.digits - 0.5) * r.step_v
        return cls(r, rng.uniform(-1, 1) * r.percent / 100, rng.uniform(-1, 1) * most_v)

    def shows(self, volts: float) -> str:
        decimals = len(f"{self.range.step_v:g}".partition(".")[2])
        return f"{volts * (1 + self.gain) + self.zero_v:.{decimals}f}"


class Bench:
    """A box on the bench, LOCKED, with its sheet in `folder`. `run` gives (exit code, stdout, stderr)."""

    def __init__(self, monkeypatch, capsys, folder: Path, box: SimBoard, rig: Rig, text: str) -> None:
        self.box, self.rig, self.folder = box, rig, folder
        self.sheet = folder / "trike.toml"
        self.sheet.write_text(text)
        self.link: SerialLink | None = None
        self._capsys = capsys
        self._lines: list[str] = []
        self.at_line: dict[int, Callable[[], object]] = {}  # before that line is typed
        self._typed = 0
        self._opened = 0
        monkeypatch.setattr(calibrate, "open_box", self._open)
        monkeypatch.setattr(options, "run", self._run)
        monkeypatch.setattr(calibrate, "Lines", lambda fd: self)

    # what stands in for the lines of standard input

    is_terminal = False

    async def next(self) -> str | None:
        self._typed += 1
        action = self.at_line.get(self._typed)
        if action:
            action()
        return self._lines.pop(0) if self._lines else None

    def _client(self, link, **how) -> Client:
        """Its numbers are not drawn: what is escaped in a frame takes time, and a run is to be the same each time."""
        self._opened += 1
        return Client(link, silence_s=None, first_number=1 + 7919 * self._opened % 0xFFFF, **how)

    async def _open(self, url=None):
        self.link = SerialLink(self.box.port.path)
        client = self._client(self.link, timeout_s=0.5, tries=2)
        await client.open()
        return client

    def _run(self, coroutine):
        async def go():
            # Until the port is open there is nobody to wait for.
            task = asyncio.ensure_future(coroutine)
            while self.link is None and not task.done():
                await asyncio.sleep(0)
            return await self.box.while_waiting(task, self.link, LIMIT_S)

        self.link = None
        return asyncio.run(go())

    def run(self, *args, typed: Sequence[str] = ()) -> tuple[int, str, str]:
        self._lines, self._typed = list(typed), 0
        code = main.run(["calibrate", str(self.sheet), *[str(a) for a in args]])
        said = self._capsys.readouterr()
        assert "Traceback" not in said.err
        return code, said.out, said.err

    def settings(self, names: Sequence[str]) -> Values:
        """These settings of the box, over the defaults."""

        async def go():
            client = await self._open()
            try:
                return await client.read_values(names)
            finally:
                await client.close()

        return self._run(go())

    # the strings

    def true_v(self, n: int) -> float:
        """Voltage at sense input n, from 1, as the plant has it."""
        wire = self.box.sense_wire(n)
        return self.box.plant.sense_points_v(wire.side)[wire.section]

    def points(self, meter: SimMeter, only: Sequence[int] = ()) -> Path:
        """A file with what the meter shows at each sense point."""
        lines = ["side,cells,reading"]
        for side in self.rig.sides:
            for p in side.sense:
                if not only or p.input in only:
                    lines.append(f"{side.name},{p.cells},{meter.shows(self.true_v(p.input))}")
        path = self.folder / "points.csv"
        path.write_text("\n".join(lines) + "\n")
        return path

    def charge(self, share: float) -> None:
        for side in range(len(self.rig.sides)):
            self.box.plant.set_charge(side, share)
        self.box.advance(0.5)

    async def readings(self, charges: Sequence[float], n: int) -> list[tuple[int, float]]:
        """At each charge of the strings, what the box itself tells of sense input n in mV, in a single status, and
        the truth in V."""
        link = SerialLink(self.box.port.path)
        client = self._client(link)
        await self.box.while_waiting(client.open(), link)
        try:
            stream = client.subscribe()
            out = []
            for share in charges:
                self.charge(share)
                await self.box.ride(0.2, link)
                statuses = [r for r in stream.take() if r.kind == messages.STATUS.kind]
                out.append((statuses[-1].sense_mv[n - 1], self.true_v(n)))
            return out
        finally:
            await client.close()

    # the record

    @property
    def record_path(self) -> Path:
        return path_beside(self.sheet)

    def record(self) -> list[dict]:
        return json.loads(self.record_path.read_text())["entries"] if self.record_path.exists() else []

    def forget(self) -> None:
        """No record: a box that nobody has calibrated."""
        self.record_path.unlink(missing_ok=True)


def rig_of(text: str) -> Rig:
    return read(text.encode(), "trike.toml")
