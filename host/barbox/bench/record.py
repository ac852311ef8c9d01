"""The record of a run: one JSON file beside the rig, written whole after every reading, and the same as CSV."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime, timezone
from pathlib import Path
from typing import Any

from barbox.bench.air import Air
from barbox.bench.learn import span_of
from barbox.bench.plan import Plan, Step
from barbox.bench.proof import StopProof
from barbox.bench.readings import Instruments, Reading, Run
from barbox.errors import UserError
from barbox.files import write_whole
from barbox.rig import Rig
from shared_proto.messages import SIDES_MAX

VERSION = 1
"""Counted up when an older reader could not make sense of the file any more; new keys alone do not need it."""


@dataclass
class Record:
    """All that a run knows. `simulated` is never dropped: what no fan has pulled must not pass for a measurement."""

    rig: str
    rig_crc: int
    began_unix_s: int
    steps: tuple[Step, ...]
    instruments: Instruments = field(default_factory=Instruments)
    air: Air = field(default_factory=Air)
    airs: dict[int, Air] = field(default_factory=dict)  # of steps that were measured in other air than `air`
    simulated: bool = False
    checklist: dict[str, bool] = field(default_factory=dict)
    proofs: list[StopProof] = field(default_factory=list)
    written_proofs: list[int] = field(default_factory=list)  # sides whose proof has gone to the box
    run: Run = field(default_factory=lambda: Run(0))
    old_curve_pm: list[tuple[int, ...]] = field(default_factory=list)
    result: dict[str, Any] = field(default_factory=dict)
    written: bool = False  # the tables have gone to the box

    def as_dict(self) -> dict[str, Any]:
        """As it is written."""
        data = {k: v for k, v in self.__dict__.items() if k != "run"}
        return {
            "version": VERSION,
            **data,
            "steps": [asdict(s) for s in self.steps],
            "instruments": asdict(self.instruments),
            "air": asdict(self.air),
            "airs": {str(n): asdict(air) for n, air in sorted(self.airs.items())},
            "proofs": [p.as_dict() for p in self.proofs],
            "at": self.run.at,
            "skipped": sorted(self.run.skipped),
            "readings": [r.as_dict() for r in self.run.in_order()],
        }

    def take(self, reading: Reading) -> None:
        """Keep the reading of the present step, in the record's air. Raises ValueError for another step's."""
        self.run.take(reading)
        self.airs.pop(reading.step, None)

    def air_of(self, step: int) -> Air:
        """The air that a step was measured in."""
        return self.airs.get(step, self.air)

    def in_one_air(self) -> list[Reading]:
        """The readings, by step, carried to the record's air by the fan laws: thrust and current go with density."""
        return [_carried(r, self.air.density_kg_m3 / self.air_of(r.step).density_kg_m3) for r in self.run.in_order()]

    def to_json(self) -> bytes:
        """The file's bytes."""
        return json.dumps(self.as_dict(), indent=1).encode() + b"\n"

    def to_csv(self, rig: Rig) -> bytes:
        """A row a reading, as it was read; section voltages lowest first."""
        most = max([len(s.section_cells) for s in rig.sides])
        out = io.StringIO()
        rows = csv.writer(out, lineterminator="\n")
        head = ["step", "side", "pulse_us", "span_percent", "thrust_n", "current_a", "typed"]
        rows.writerow([*head, *[f"{what}_{k + 1}_v" for what in ("rest", "load") for k in range(most)], "air_kg_m3"])
        for r in self.run.in_order():
            span = 100.0 * span_of(rig, r.side, r.pulse_us)
            padded = [[*v, *[None] * (most - len(v))] for v in (r.rest_v, r.load_v)]
            what = [r.step, rig.sides[r.side].name, r.pulse_us, f"{span:.1f}", _cell(r.thrust_n), _cell(r.current_a)]
            density = f"{self.air_of(r.step).density_kg_m3:.4f}"
            rows.writerow([*what, r.typed, *[_cell(v) for v in padded[0] + padded[1]], density])
        return out.getvalue().encode()

    def save(self, rig: Rig, path: Path) -> None:
        """Write the JSON file and the CSV beside it, each whole. Raises UserError when that is not possible."""
        write_whole(path, self.to_json())
        write_whole(path.with_suffix(".csv"), self.to_csv(rig))


def _carried(r: Reading, by: float) -> Reading:
    if by == 1.0:
        return r
    thrust_n, current_a = (None if value is None else value * by for value in (r.thrust_n, r.current_a))
    return replace(r, thrust_n=thrust_n, current_a=current_a)


def _cell(value: float | None) -> str:
    return "" if value is None else f"{value:.4g}" if abs(value) < 10 else f"{value:.2f}"


def begin(rig: Rig, plan: Plan, *, now_unix_s: int, simulated: bool, old_curve_pm: list[tuple[int, ...]]) -> Record:
    """A new record of a plan. `old_curve_pm`: the tables that are on the box, by side."""
    return Record(rig.name, rig.crc, now_unix_s, plan.steps, simulated=simulated, old_curve_pm=old_curve_pm,
                  run=Run(len(plan.steps)))  # fmt: skip


def files(path: Path) -> list[Path]:
    """All that a run leaves: what the record is also written as, and the record itself, which comes last."""
    return [path.with_suffix(".csv"), path.with_suffix(".html"), path]


def beside(rig_path: str | Path) -> Path:
    """Where the record of a rig sheet lies: `trike.toml`, `trike.bench.json`."""
    path = Path(rig_path)
    return path.with_name(path.stem + ".bench.json")


def load(path: str | Path, rig: Rig) -> Record:
    """The record of an earlier run of this rig, its place as it was: at the first open step, or at one that somebody
    had gone back to.

    Raises UserError, one sentence: no such file, damaged, of a newer version, of another rig or wiring.
    """
    path = Path(path)
    try:
        data = json.loads(path.read_bytes())
    except OSError as error:
        raise UserError(f"{path}: cannot be read ({error.strerror}); begin a new run") from None
    except ValueError:
        raise UserError(f"{path}: is damaged or no record of a bench run; move it away and begin a new run") from None
    try:
        version = int(data["version"])
        if version > VERSION:
            raise UserError(f"{path}: was written by a newer barbox (version {version}, this one knows {VERSION}); "
                            "update barbox")
        if data["rig"] != rig.name:
            raise UserError(f'{path}: is of the rig "{data["rig"]}", and the sheet is of "{rig.name}"; name the '
                            'other sheet')
        known = _from(data)
        for r in [*known.run.readings.values(), *known.steps, *known.proofs]:
            if not 0 <= r.side < len(rig.sides):
                raise UserError(f"{path}: has a side {r.side + 1}, and the sheet has {len(rig.sides)}; begin a new run")
        if len(known.old_curve_pm) != len(rig.sides):
            raise ValueError("curves")
    except (KeyError, TypeError, ValueError, AttributeError):
        raise UserError(f"{path}: is damaged or no record of a bench run; move it away and begin a new run") from None
    return known


def _from(data: dict[str, Any]) -> Record:
    steps = tuple([Step(**s) for s in data["steps"]])
    readings = {r["step"]: Reading.from_dict(r) for r in data["readings"]}
    skipped = {int(n) for n in data["skipped"]}
    if not {*readings, *skipped} <= set(range(len(steps))):
        raise ValueError("a reading of no step")
    run = Run(len(steps), 0, readings, skipped)
    run.resume()
    if 0 <= (at := int(data["at"])) < run.at:  # somebody had gone back to a step
        run.again(at)
    return Record(
        rig=data["rig"],
        rig_crc=int(data["rig_crc"]),
        began_unix_s=int(data["began_unix_s"]),
        steps=steps,
        instruments=Instruments(**data["instruments"]),
        air=Air(**data["air"]),
        airs={int(n): Air(**air) for n, air in data.get("airs", {}).items()},
        simulated=bool(data["simulated"]),
        checklist=dict(data["checklist"]),
        proofs=[StopProof(**p) for p in data["proofs"]],
        written_proofs=[int(n) for n in data.get("written_proofs", range(SIDES_MAX))],
        run=run,
        old_curve_pm=[tuple(c) for c in data["old_curve_pm"]],
        result=dict(data["result"]),
        written=bool(data.get("written", False)),
    )


def began(record: Record) -> str:
    """The day and time of its beginning, in UTC."""
    return datetime.fromtimestamp(record.began_unix_s, timezone.utc).strftime("%Y-%m-%d %H:%M UTC")
