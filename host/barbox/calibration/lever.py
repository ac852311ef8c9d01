"""The lever's end points, learned from the lever itself: rest, full, back to rest, and once slowly through.

What would make a lever unsafe is found and refused: one that does not spring back, that is noisy, whose tracks
disagree on the way, or whose end points lie so near to a rail that a broken wire would pass for a position.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from barbox.calibration import record as rec
from barbox.calibration.keep import write_and_keep
from barbox.calibration.sample import Sampler
from barbox.calibration.session import NOTHING, Talk, now
from barbox.errors import AnswerNo, UserError
from barbox.link.client import Client
from barbox.rig.keys import LEARNED_LEVER
from barbox.rig.model import Rig
from barbox.rig.sheet import lever_nearer_end
from barbox.settings_text import Slot
from barbox.settings_write import Change
from shared_proto.settings import LEVER_APART_MV, LEVER_CLEAR_MV, ROWS, SETTINGS, lever_room_mv

_ON_ITS_WAY = 3  # status messages after Enter that may tell of the moment before it
_LEAST = 20  # status messages at each end point
_NOISE_SHARE = 6.0  # the dead band holds at least so many standard deviations of noise
_SWEEP_PM = (100, 900)
_SWEEP_MOST = 600  # status messages

Trace = Sequence[tuple[int, int]]
"""Tracks A and B in mV at the pins, one pair a status."""


@dataclass(frozen=True)
class Limits:
    """What the rig's settings ask of a lever, in per mille of its travel."""

    tracks: int
    dead_pm: int
    agree_pm: int
    margin_pm: int


@dataclass(frozen=True)
class Track:
    """One track: its end points and what was seen of it."""

    name: str
    rest_mv: int
    full_mv: int
    noise_mv: float
    return_mv: float  # second rest less the first

    @property
    def span_mv(self) -> int:
        """Full less rest; negative for a track that falls."""
        return self.full_mv - self.rest_mv

    def pm(self, mv: float) -> float:
        """Per mille of the travel."""
        return 1000 * (mv - self.rest_mv) / self.span_mv


def learn(rest: Trace, full: Trace, back: Trace, limits: Limits) -> list[Track]:
    """The tracks from what was read at rest, at full and at rest again. Raises UserError for a lever to refuse."""
    tracks = []
    for n in range(limits.tracks):
        a, f, b = (np.array([pair[n] for pair in trace], float) for trace in (rest, full, back))
        name = "AB"[n]
        noise_mv = max(float(x.std(ddof=1)) for x in (a, f, b))
        track = Track(name, round(float((a.mean() + b.mean()) / 2)), round(float(f.mean())), noise_mv,
                      float(b.mean() - a.mean()))  # fmt: skip
        _refuse(track, limits)
        tracks.append(track)
    return tracks


def _refuse(t: Track, limits: Limits) -> None:
    span = abs(t.span_mv)
    where = f"lever track {t.name}"
    if span < LEVER_APART_MV:
        raise UserError(
            f"{where}: rest is {t.rest_mv} mV and full {t.full_mv} mV, and {LEVER_APART_MV} mV apart is the least: was "
            f"the lever held at full, and is its sensor in place? {NOTHING}"
        )
    if abs(t.return_mv) > limits.dead_pm * span / 2000:
        travel_mv = span + abs(t.return_mv) / 2  # rest is the mean of where it lay before and after
        raise UserError(
            f"{where}: the lever does not spring back: {t.return_mv:+.0f} mV from where it rested before, "
            f"{1000 * abs(t.return_mv) / travel_mv:.0f} per mille of its travel, and "
            f"{limits.dead_pm / 2:g} are allowed: free it, renew its spring, and learn again; {NOTHING}"
        )
    if _NOISE_SHARE * t.noise_mv > limits.dead_pm * span / 1000:
        raise UserError(
            f"{where}: noise of {t.noise_mv:.0f} mV is too much for a dead band of {limits.dead_pm} per mille: look at "
            f"its wires and its ground, and hold it still; {NOTHING}"
        )
    if lever_room_mv(t.rest_mv, t.full_mv, limits.margin_pm) < LEVER_CLEAR_MV:
        nearer = lever_nearer_end(t.rest_mv, t.full_mv)
        nearer_mv = {"rest": t.rest_mv, "full": t.full_mv}[nearer]
        raise UserError(
            f"{where}: its {nearer} of {nearer_mv} mV lies so near to a rail that a broken or shorted "
            f"wire would pass for a position, with the margin of {limits.margin_pm} per mille: move the "
            f"sensor or its magnet, or set a smaller lever_margin_pm; {NOTHING}"
        )
    for setting, value in (("rest", t.rest_mv), ("full", t.full_mv)):
        s = SETTINGS[ROWS[f"lever_{t.name.lower()}_{setting}_mv"]]
        if not s.low <= value <= s.high:
            raise UserError(f"{where}: {setting} is {value} mV, and {s.low}..{s.high} is possible; {NOTHING}")


def disagreement_pm(tracks: Sequence[Track], sweep: Trace) -> float:
    """The most by which the tracks differ on the way."""
    if len(tracks) < 2:
        return 0.0
    return max(abs(tracks[0].pm(a) - tracks[1].pm(b)) for a, b in sweep)


def refuse_apart(tracks: Sequence[Track], sweep: Trace, limits: Limits) -> None:
    """Raise UserError when the tracks use up more than half of what the box allows them to differ."""
    apart = disagreement_pm(tracks, sweep)
    if apart > limits.agree_pm / 2:
        raise UserError(
            f"the lever's tracks differ by {apart:.0f} per mille on the way, more than half of the {limits.agree_pm} "
            f"at which the box holds: look at magnet and sensors; {NOTHING}"
        )


async def learn_lever(
    client: Client, rig: Rig, record: rec.Record, talk: Talk, *, yes: bool, dry_run: bool
) -> dict[str, Any]:
    """Learn, show, ask, write, read back, keep. Raises UserError, BoxError, AnswerNo in one sentence each."""
    who = client.identity
    if who.rig != rig.name:
        raise UserError(
            f"{rig.source}: is of rig {rig.name}, and the box has {who.rig or 'no rig'}: `barbox apply` it first; "
            f"{NOTHING}"
        )
    before = {name: await client.get_setting(ROWS[name]) for name in LEARNED_LEVER}
    limits = Limits(
        *[await client.get_setting(ROWS["lever_" + n]) for n in ("tracks", "dead_pm", "agree_pm", "margin_pm")]
    )
    sampler = Sampler(client, ())
    try:
        talk.say("Pulses stay at idle: the box is LOCKED and stays so. Still, keep clear of the fans.")
        rest = await _end(sampler, talk, "Let go of the lever, then Enter: ")
        full = await _end(sampler, talk, "Hold the lever at full, then Enter and hold on for three seconds: ")
        back = await _end(sampler, talk, "Let go of it at once, then Enter: ")
        tracks = learn(rest, full, back, limits)
        question = "Enter, then move it slowly to full and back, in some ten seconds: "
        await talk.ask(question, sampler, lambda: _live(sampler))
        sweep = await _sweep(sampler, tracks)
        refuse_apart(tracks, sweep, limits)
        after = dict(before)
        for t in tracks:
            after[f"lever_{t.name.lower()}_rest_mv"] = t.rest_mv
            after[f"lever_{t.name.lower()}_full_mv"] = t.full_mv
        for t in tracks:
            key = f"lever_{t.name.lower()}"
            talk.say(
                f"track {t.name}: rest {before[key + '_rest_mv']} -> {t.rest_mv} mV, full {before[key + '_full_mv']} "
                f"-> {t.full_mv} mV; noise {t.noise_mv:.1f} mV, came back to {t.return_mv:+.1f} mV"
            )
        if len(tracks) > 1:
            talk.say(f"the tracks differ by {disagreement_pm(tracks, sweep):.0f} per mille at most")
        todo = [Change(Slot(ROWS[name], 0), before[name], after[name]) for name in after if after[name] != before[name]]
        apart = round(disagreement_pm(tracks, sweep), 1)
        seen = [
            {"track": t.name, "noise_mv": round(t.noise_mv, 2), "return_mv": round(t.return_mv, 2)} for t in tracks
        ]
        rest_of_it = {"tracks": seen, "differ_pm": apart, "before": before, "after": after}
        made = rec.entry("lever", now(), who.serial, who.board, rig.name, **rest_of_it)
        written = False
        if dry_run:
            talk.say(NOTHING)
        elif yes or await talk.agreed(f"write {len(todo)} settings to the box?", sampler):
            await write_and_keep(client, todo, record, made, "new end points")
            written = True
        else:
            raise AnswerNo(NOTHING)
    finally:
        sampler.close()
    return {"written": written, **made}


async def _end(sampler: Sampler, talk: Talk, question: str) -> list[tuple[int, int]]:
    await talk.ask(question, sampler, lambda: _live(sampler))
    sampler.clear()
    for _ in range(_ON_ITS_WAY):
        await sampler.step()
    trace = []
    for _ in range(_LEAST):
        status = await sampler.step()
        trace.append((status.lever_a_mv, status.lever_b_mv))
    return trace


async def _sweep(sampler: Sampler, tracks: Sequence[Track]) -> list[tuple[int, int]]:
    """Status by status until the lever has been through its travel and back."""
    sampler.clear()
    low, high = _SWEEP_PM
    trace: list[tuple[int, int]] = []
    been_high = False
    for _ in range(_SWEEP_MOST):
        status = await sampler.step()
        trace.append((status.lever_a_mv, status.lever_b_mv))
        pm = tracks[0].pm(status.lever_a_mv)
        been_high = been_high or pm > high
        if been_high and pm < low:
            return trace
    raise UserError(f"the lever was not moved to full and back within a minute; {NOTHING}")


def _live(sampler: Sampler) -> str:
    status = sampler.status
    return f"  track A {status.lever_a_mv} mV, track B {status.lever_b_mv} mV" if status else "  -"
