"""What was calibrated when, with which points: a JSON file beside the rig sheet, only ever added to."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from barbox.calibration.budget import Point, Result
from barbox.calibration.meter import parse_range
from barbox.calibration.sample import Sample
from barbox.calibration.steps import Target
from barbox.errors import UserError
from barbox.files import write_whole

FORMAT = "barbox calibrations"
VERSION = 1


def path_beside(sheet: Path) -> Path:
    """`trike.calibrations.json` beside `trike.toml`."""
    return sheet.with_name(sheet.stem + ".calibrations.json")


@dataclass
class Record:
    """The entries of one file, oldest first."""

    path: Path
    entries: list[dict[str, Any]]

    @classmethod
    def load(cls, path: Path) -> Record:
        """The record at `path`; empty when there is none. Raises UserError for another kind of file."""
        try:
            data = json.loads(path.read_text(encoding="utf-8"))
            if data["format"] != FORMAT:
                raise ValueError("of another format")
            if data["version"] > VERSION:
                raise ValueError("of a newer version of this program")
            entries = data["entries"]
            if not isinstance(entries, list):
                raise ValueError("without entries")
            for made in entries:
                _refuse_spoilt(made)
        except FileNotFoundError:
            return cls(path, [])
        except OSError as error:
            raise UserError(f"{path}: cannot be read ({error.strerror}); nothing was written") from None
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise UserError(
                f"{path}: is not a record of calibrations ({error}); move it away and calibrate again"
            ) from None
        return cls(path, entries)

    def append(self, entry: Mapping[str, Any]) -> None:
        """Add an entry and write the file whole. Raises UserError when that is not possible."""
        self.entries.append(dict(entry))
        data = {"format": FORMAT, "version": VERSION, "entries": self.entries}
        write_whole(self.path, (json.dumps(data, indent=1) + "\n").encode())

    def latest(self, serial: str, target: Target) -> dict[str, Any] | None:
        """What the latest calibration of this box says of this sense point with this divider, None for nothing."""
        for entry in reversed(self.entries):
            if entry.get("kind") != "sense" or entry.get("serial") != serial:
                continue
            for one in entry["inputs"]:
                if one["input"] == target.input + 1:
                    return one if _same(one, target) else None
        return None

    def points(self, serial: str, target: Target) -> list[Point]:
        """Its points, oldest first. Raises UserError for an entry that was spoilt by hand."""
        one = self.latest(serial, target)
        try:
            return [point_from(p) for p in one["points"]] if one else []
        except (KeyError, TypeError, ValueError):
            raise UserError(
                f"{self.path}: the points of input {target.input + 1} make no sense; leave them out with --afresh"
            ) from None


def _refuse_spoilt(made: Any) -> None:
    """Raise KeyError, TypeError or AttributeError for an entry that lacks what is looked up in it later."""
    if made.get("kind") == "sense":
        for one in made["inputs"]:
            _ = one["input"], one["cells"], one["upper_kohm"], one["lower_kohm"]
            _ = one["points"], one["gain_only"], one["after"]


def _same(one: Mapping[str, Any], target: Target) -> bool:
    p = target.point
    return (one["cells"], one["upper_kohm"], one["lower_kohm"]) == (p.cells, p.upper_kohm, p.lower_kohm)


def point_from(p: Mapping[str, Any]) -> Point:
    """A point from its JSON."""
    sample = Sample(float(p["code"]), float(p["noise_codes"]), int(p["readings"]))
    return Point(str(p["date"]), float(p["meter_v"]), parse_range(p["meter"]), sample, str(p.get("file", "")))


def point_json(p: Point) -> dict[str, Any]:
    """A point for JSON."""
    return {
        "date": p.date,
        "meter_v": p.volts,
        "meter": str(p.range),
        "code": round(p.sample.code, 4),
        "noise_codes": round(p.sample.sd, 4),
        "readings": p.sample.readings,
        **({"file": p.file} if p.file else {}),
    }


def result_json(result: Result, before: Mapping[str, int]) -> dict[str, Any]:
    """One input of an entry: what was measured, what it gives, what stood before."""
    t, line = result.target, result.line
    top = result.stated(result.top_v)
    return {
        "input": t.input + 1,
        "side": t.side,
        "cells": t.cells,
        "upper_kohm": t.point.upper_kohm,
        "lower_kohm": t.point.lower_kohm,
        "gain_only": result.gain_only,
        "points": [point_json(p) for p in result.points],
        "residual_mv": [round(1000 * float(r), 3) for r in line.residuals],
        "uncertainty": {
            "at_v": round(result.top_v, 3),
            "standard_mv": round(1000 * top.standard_v, 3),
            "coverage_factor": round(top.factor, 3),
            "expanded_mv": round(1000 * top.expanded_v, 3),
        },
        "before": dict(before),
        "after": dict(result.settings),
    }


def entry(kind: str, date: str, serial: str, board: str, rig: str, **rest: Any) -> dict[str, Any]:
    """An entry of the record."""
    return {"kind": kind, "date": date, "serial": serial, "board": board, "rig": rig, **rest}
