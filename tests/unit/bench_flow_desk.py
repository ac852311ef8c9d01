"""`barbox bench` without a box: its flow conducted against a box that holds settings and steps that run at once."""

from __future__ import annotations

import asyncio
from contextlib import asynccontextmanager
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

from barbox.bench import at_box, end_points, flow, keep, prove, record, run
from barbox.bench.at_box import AtBox
from barbox.bench.job import Job
from barbox.bench.proof import StopProof
from barbox.bench.readings import Reading
from barbox.bench.sim_person import SimPerson
from barbox.demo.ride import example_rig
from barbox.errors import UserError
from barbox.link.client import Refused
from barbox.rig import load
from barbox.rig.template import example_text
from shared_proto import states
from shared_proto.messages import SENSES_MAX

DAY = "2026-06-01"
PROVED = StopProof(0, 0.08, 0.27, "voltage", True, DAY, token=0x5EED)
TEXT = example_text().replace("bench_cap_percent = 60", "bench_cap_percent = 100")
UNPROVED = TEXT
_ESC = "esc = { idle_us = 1000, full_us = 2000, rating_a = 150 }\n"
TEXT = TEXT.replace(
    _ESC, _ESC + 'proof = { stop_proved = 2026-05-01, hold_s = 0.3, record = "r", mark = "badcafe1" }\n'
)


class Square:
    """Fans of 65 N at full, by the square law, and 120 A by the cube law; `span` is what they are given."""

    span = 0.0

    def thrust_n(self, side: int) -> float:
        return 65.0 * self.span**2

    def current_a(self, side: int) -> float:
        return 120.0 * self.span**3


class FlowDesk:
    """A box with its sheet. `run` conducts the flow; what was done is in `did`, in order: (what, side, span).

    at_step   what the step of that number raises, as it is sent, from 1 in each run
    at_proof  what the stop proof of that side raises
    finish    what `run.finish` raises, call by call; None or nothing left: it succeeds
    """

    def __init__(self, monkeypatch, folder, text=TEXT):
        self.sheet = folder / "trike.toml"
        self.sheet.write_text(text)
        self.box = load(self.sheet).settings()
        self.box.put("rig_crc", load(self.sheet).crc)
        for n, side in enumerate(load(self.sheet).sides):  # as if the note were of this box
            self.box.put("side.proven", int(side.proof is not None), n)
        self.did: list[tuple] = []
        self.at_step: dict[int, BaseException] = {}
        self.at_proof: dict[int, BaseException] = {}
        self.finish: list[UserError | None] = []
        self.sent = 0
        self.off_since = False  # whether the box's power was cut since it saw the stop
        self.learned: list[Reading] = []
        self.hold_s = 0.27  # of the ESCs
        self.now_s = 0.0
        self.person: SimPerson = SimPerson(Square())
        self.fans = Square()
        monkeypatch.setattr(at_box, "check", self._check)
        for module in (at_box, prove, end_points):
            monkeypatch.setattr(module, "in_run", self._in_run)
        monkeypatch.setattr(keep, "locked", self._locked)
        monkeypatch.setattr(keep, "write", self._write)
        monkeypatch.setattr(keep, "grant", self._grant)
        monkeypatch.setattr(prove.Proving, "side", lambda proving, n: self._proved(proving, n))
        monkeypatch.setattr(run, "finish", self._finish)
        monkeypatch.setattr(flow, "_show", lambda *_: self.did.append(("show",)))

    @property
    def rig(self):
        return load(self.sheet)

    @property
    def path(self):
        return record.beside(self.sheet)

    @property
    def record(self):
        return record.load(self.path, self.rig)

    def run(self, *, person=None, **job):
        """The outcome of the flow; `person`: more of `SimPerson`."""
        self.did, self.sent = [], 0
        hands: Any = SimpleNamespace(disconnect_fan=lambda side: None)
        self.person = SimPerson(self.fans, hands=hands, **(person or {}))
        client: Any = SimpleNamespace(link=SimpleNamespace(url="serial:x"), identity=SimpleNamespace(serial="e661"))
        at = AtBox(client, self.person, sleep=self.sleep)
        job = {"day": DAY, "now_unix_s": 0, "aside": _at_once, "clock": lambda: self.now_s, **job}
        return asyncio.run(flow.conduct(Job(self.rig, self.sheet, at, **job)))

    def said(self, words):
        return [line for line in self.person.heard if words in line]

    @property
    def steps(self):
        """Side and span of each thrust step that ran at above the spin-up's."""
        return [(side, pm) for what, side, pm in [d for d in self.did if d[0] == "step"] if pm > 250]

    async def sleep(self, seconds):
        self.now_s += seconds

    # in place of a box

    async def _check(self, at, rig, sheet):
        return self.box.copy()

    @asynccontextmanager
    async def _in_run(self, at):
        self.did.append(("run",))
        caps = [1000 if self.box.get("side.proven", n) else self.box.get("unproven_cap_pm") for n in (0, 1)]

        async def rests(*_: Any) -> None:
            pass

        yield SimpleNamespace(
            step=self._step, offer=SimpleNamespace(cap_pm=caps, low_pm=250), idle=rests, watch=rests
        )

    async def _step(self, side, pulse_pm, time_s=None, *, what=states.BENCH_THRUST):
        self.sent += 1
        self.did.append(("end points" if what == states.BENCH_END_POINTS else "step", side - 1, pulse_pm))
        if self.sent in self.at_step:
            raise self.at_step.pop(self.sent)
        self.fans.span = pulse_pm / 1000
        self.person.look()
        means = SimpleNamespace(seconds=3.0, section_v=(18.0,) * SENSES_MAX, current_a=(None, None))
        return SimpleNamespace(before=SimpleNamespace(section_mv=(19_000,) * SENSES_MAX), means=lambda settle_s: means,
                               ended="let go at the box", ran_ms=6000, end=states.ENDED_TIME)  # fmt: skip

    async def _locked(self, at):
        pass

    async def _write(self, client, todo):
        for c in todo:
            self.box.rows[c.slot.row][c.slot.index] = c.new
            self.did.append(("write", c.slot.name, c.new))

    async def _grant(self, client, proof, box):
        if self.off_since:
            raise Refused("bench_prove", states.REFUSE_NOT_SEEN)
        self.box.put("side.proven", 1, proof.side)
        self.did.append(("grant", proof.side, proof.token))

    async def _proved(self, proving, n):
        if n in self.at_proof:
            raise self.at_proof.pop(n)
        self.did.append(("prove", n))
        return replace(PROVED, side=n, day=proving.day, hold_s=self.hold_s)

    def _finish(self, rig, made, path):
        if self.finish and (error := self.finish.pop(0)):
            raise error
        self.learned = made.in_one_air()
        curves = SimpleNamespace(sides=(SimpleNamespace(side=0, curve_pm=tuple(range(0, 1001, 100)), current_da=()),))
        return SimpleNamespace(findings=()), curves, path.with_suffix(".html")


async def _at_once(do, *args):
    do(*args)


__all__ = ["DAY", "PROVED", "TEXT", "UNPROVED", "FlowDesk", "example_rig"]
