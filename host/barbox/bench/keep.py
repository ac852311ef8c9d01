"""What the bench has found out, onto the box and into the rig sheet: shown, asked, written, read back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from barbox.bench.at_box import AtBox, locked
from barbox.bench.curve import SideCurve
from barbox.bench.proof import StopProof
from barbox.bench.record import Record, beside
from barbox.bench.run import agreed
from barbox.errors import AnswerNo, BoxError, UserError
from barbox.files import write_whole
from barbox.link.client import Client
from barbox.records import BenchProof
from barbox.rig import Rig, read
from barbox.rig.write import with_measured
from barbox.settings_text import as_text
from barbox.settings_write import Change, changes, refuse_conflict, write
from shared_proto import messages
from shared_proto.settings import BOX, Values, proof_mark


async def keep(
    at: AtBox,
    rig: Rig,
    sheet: Path,
    record: Record,
    box: Values,
    curves: Sequence[SideCurve],
    question: str | None,
) -> Values | None:
    """Write tables and proofs after a yes; returns what the box has then, None for a no. `question` None: unasked.

    Box and sheet stay of one state: the box gets the CRC of the new sheet. A simulated run changes no sheet.
    Raises UserError, BoxError.
    """
    new = wanted(box, record, curves)
    text = None
    if not record.simulated:
        serial = at.client.identity.serial.encode()
        marks = {p.side: proof_mark(box, p.side, serial, p.token or 0) for p in record.proofs}
        text = _new_text(sheet, rig, record, curves, marks)
        if text is not None:
            new.put("rig_crc", read(text.encode(), str(sheet)).crc)
    refuse_conflict(new, "what was measured")
    todo = changes(box, new)
    proved = [p for p in record.proofs if p.proved and p.side not in record.written_proofs]
    if not todo and not proved and text is None:
        at.person.tell("the box has that already" if record.simulated else "box and sheet have that already")
        return new
    for line in _lines(todo):
        at.person.tell(line)
    where = "the box" if text is None else f"the box and {sheet}"
    if record.simulated:
        at.person.tell("simulated, so nothing goes into the sheet")
    if question is not None and not await agreed(at.person, "write", f"{question} Write this to {where}?".strip()):
        return None
    await locked(at)
    for p in proved:
        await grant(at.client, p, box)
    await write(at.client, [c for c in todo if c.slot.setting.danger != BOX or not c.new])
    at.person.tell(f"{len(todo)} setting{'s'[: len(todo) != 1]} written to the box and read back")
    if text is not None:
        write_whole(sheet, text.encode())
        record.rig_crc = new.get("rig_crc")
        at.person.tell(f"{sheet}: written; its comments and its order stay")
    return new


async def grant(client: Client, proof: StopProof, box: Values) -> None:
    """Have the box mark the stop of a side as proved. Raises Refused for a run that it has not seen itself since its
    power came on, BoxError."""
    answer: BenchProof = await client.request(messages.BENCH_PROVE, proof.token or 0, proof.side + 1)
    if answer.mark != proof_mark(box, proof.side, client.identity.serial.encode(), proof.token or 0):
        raise BoxError("the box has marked the proof of another side or rig than this one: read its settings again")


def _new_text(
    sheet: Path, rig: Rig, record: Record, curves: Sequence[SideCurve], marks: Mapping[int, int]
) -> str | None:
    """The sheet with what was measured, None where it says so already. Raises UserError when it was changed since."""
    try:
        data = sheet.read_bytes()
    except OSError as error:
        raise UserError(f"{sheet}: cannot be read ({error.strerror}); put it back and go on with --resume") from None
    if read(data, str(sheet)).crc not in (rig.crc, record.rig_crc):
        raise UserError(f"{sheet}: was changed during the run; nothing was written; put the old state back, or apply "
                        "the new one and begin again with --fresh")
    old = data.decode()
    new = with_measured(old, str(sheet), into_sheet(record, curves, beside(sheet).name, marks))
    return None if new == old else new


def _lines(todo: Sequence[Change]) -> list[str]:
    return [f"{c.slot.name}: {as_text(c.old)} -> {as_text(c.new)}" for c in todo if c.slot.name != "rig_crc"]


def wanted(box: Values, record: Record, curves: Sequence[SideCurve]) -> Values:
    """The settings of the box with the new tables, measured currents, and proofs of stopping, all else as it is.

    A side whose stop was tried and not proved loses its proof; one that was not tried keeps what it has.
    """
    values = box.copy()
    for c in curves:
        values.put("side.curve", c.curve_pm, c.side)
        if c.current_da:
            values.put("side.current_da", c.current_da, c.side)
    for p in record.proofs:
        values.put("side.proven", int(p.proved), p.side)
    return values


def into_sheet(
    record: Record, curves: Sequence[SideCurve], file: str, marks: Mapping[int, int]
) -> dict[int, dict[str, str | None]]:
    """The same for `barbox.rig.write.with_measured`; a proof that was lost is commented out. `file`: name of the
    record's; `marks` of the box, by side. A simulated run has nothing to say in a sheet: AnswerNo."""
    if record.simulated:
        raise AnswerNo("a simulated run is no measurement: nothing of it goes into the sheet")
    sides: dict[int, dict[str, str | None]] = {}
    for c in curves:
        sides[c.side] = {"curve_pm": str(list(c.curve_pm))}
        if c.current_da:
            sides[c.side]["current_a"] = str([v / 10 for v in c.current_da])
    for p in record.proofs:
        sides.setdefault(p.side, {})["proof"] = p.as_toml(file, marks[p.side]) if p.proved else None
    return sides
