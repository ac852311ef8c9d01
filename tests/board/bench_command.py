"""`barbox bench` as a person runs it, in process, against the simulated board in virtual time."""

from __future__ import annotations

import asyncio
from contextlib import nullcontext
from dataclasses import replace

from bench_host import ESC_IDLE_MS, HOLD_MS

from barbox.bench import record
from barbox.bench.sim_person import SimPerson
from barbox.bench.simulated import AtBoard
from barbox.cli import bench, main, options
from barbox.link.client import Client
from barbox.link.serial import SerialLink
from barbox.rig import read
from barbox.rig.template import example_text
from barbox.sim.board import SimBoard

LIMIT_S = 900.0  # of virtual time
TEXT = (
    example_text()
    .replace("hz = 10", "hz = 25")
    .replace("bench_cap_percent = 100", "bench_rest_s = 1\nramp_up_s = 1.0\nbench_cap_percent = 100")
    .replace("ramp_up_s = 2.0       # for the full span of demand\n", "")
)
UNPROVED = TEXT
_ESC = "esc = { idle_us = 1000, full_us = 2000, rating_a = 150 }\n"
TEXT = TEXT.replace(
    _ESC, _ESC + 'proof = { stop_proved = 2026-05-01, hold_s = 0.3, record = "r", mark = "badcafe1" }\n'
)


class Command:
    """A box with its sheet in `folder`. `run` gives (exit code, stdout, stderr); `person` is whoever ran it last.

    `at_status(status)` is called with each one that the command sees; `interrupt()` is Ctrl-C.
    """

    def __init__(self, monkeypatch, capsys, folder, text=TEXT, **esc):
        self.rig = read(text.encode(), "trike.toml")
        self.sheet = folder / "trike.toml"
        self.sheet.write_text(text)
        self.values = self.rig.settings()
        for name, value in (("arm_hold_ms", HOLD_MS), ("esc_idle_ms", ESC_IDLE_MS)):
            self.values.put(name, value)
        for n, side in enumerate(self.rig.sides):  # as if the note were of this box
            self.values.put("side.proven", int(side.proof is not None), n)
        plant = self.rig.plant_spec()
        sides = tuple([replace(s, esc=replace(s.esc, **esc)) for s in plant.sides])
        self.box = SimBoard(replace(plant, sides=sides), self.values, values=self.values, boot_s=0.1)
        self.at_status = lambda status: None
        self.scale = None
        self.person: SimPerson | None = None
        self.hands = AtBoard(self.box)
        self._capsys = capsys
        self._link = self._task = None
        self._say: dict = {}
        monkeypatch.setattr(bench, "open_box", self._open)
        monkeypatch.setattr(bench, "_at_terminal", self._at_terminal)
        monkeypatch.setattr(bench, "_scale", lambda *_: nullcontext(self.scale))
        monkeypatch.setattr(options, "run", self._run)

    def __enter__(self):
        self.box.power_on()
        self.box.advance(0.5)
        self.box.open_stop_loop()
        self.box.advance(0.2)
        self.box.close_stop_loop()
        self.box.advance(ESC_IDLE_MS / 1000 + 0.3)
        return self

    def __exit__(self, *_):
        self.box.close()

    @property
    def record_path(self):
        return record.beside(self.sheet)

    def record(self):
        return record.load(self.record_path, self.rig)

    def said(self, words):
        return [line for line in self.person.heard if words in line]

    def run(self, *args, **person):
        """`person`: slips and answers of `SimPerson`."""
        self._say = person
        code = main.run(["bench", str(self.sheet), *args])
        said = self._capsys.readouterr()
        assert "Traceback" not in said.err
        return code, said.out, said.err

    def settings(self, names):
        async def go():
            client = await self._open()
            try:
                return await client.read_values(names)
            finally:
                await client.close()

        return self._run(go())

    def interrupt(self):
        self._task.get_loop().call_soon(self._task.cancel)

    # in place of a terminal, a port and the wall clock

    def _at_terminal(self, as_json):
        self.person = SimPerson(self.hands, hands=self.hands, **self._say)
        sees = self.person.sees

        def both(status):
            sees(status)
            self.at_status(status)

        self.person.sees = both
        return self.person, {"clock": lambda: self.box.now_s, "sleep": self.box.sleep}

    async def _open(self, url=None):
        self._link = SerialLink(self.box.port.path)
        client = Client(self._link, timeout_s=20, silence_s=None)
        await client.open()
        return client

    def _run(self, coroutine):
        async def go():
            task = self._task = asyncio.ensure_future(coroutine)
            while self._link is None and not task.done():
                await asyncio.sleep(0)
            try:
                return await self.box.while_waiting(task, self._link, LIMIT_S)
            except asyncio.CancelledError:
                raise KeyboardInterrupt from None  # as asyncio.run makes of it

        self._link = None
        return asyncio.run(go())
