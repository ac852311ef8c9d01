"""The way back after the last reading: before a curve is made of them, any step can be measured again."""

from __future__ import annotations

from barbox.bench.record import Record
from barbox.bench.run import Person, Stopped
from barbox.bench.summary import Table
from barbox.rig import Rig


async def chosen(rig: Rig, record: Record, person: Person) -> int | None:
    """The step to measure again, from 0; None to go on. Raises Stopped."""
    person.show(steps(rig, record))
    most = len(record.steps)
    while True:
        typed = (await person.ask("again", f"a step to measure again (1 to {most}), Enter to go on, or stop")).strip()
        if not typed:
            return None
        if typed.lower() == "stop":
            raise Stopped
        if typed.isdecimal() and 1 <= int(typed) <= most:
            return int(typed) - 1
        person.tell(f'"{typed}" is no step from 1 to {most}, nor Enter, nor stop')


def steps(rig: Rig, record: Record) -> Table:
    """A row a step: its number, and what was read in it."""
    rows = []
    for s in record.steps:
        r = record.run.readings.get(s.number)
        read = [(r.thrust_n, "N"), (r.current_a, "A")] if r else [(None, "")] * 2
        rows.append([str(s.number + 1), rig.sides[s.side].name, f"{s.span_pm / 10:g} %",
                     *["-" if value is None else f"{value:.4g} {unit}" for value, unit in read]])  # fmt: skip
    return ["step", "side", "of span", "thrust", "current"], rows
