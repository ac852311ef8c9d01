"""What a person or a script can do to a simulated board, by name: hands on the box, and faults."""

from __future__ import annotations

import difflib
from collections.abc import Callable
from dataclasses import dataclass

from barbox.errors import UserError
from barbox.sim.board import SimBoard


@dataclass(frozen=True)
class Hand:
    """One thing to do: how it is written, what it does, and the call with the words that follow its name."""

    usage: str
    help: str
    do: Callable[[SimBoard, list[str]], object]


def _number(words: list[str], low: float, high: float) -> float:
    try:
        value = float(words[0].rstrip("%"))
    except (IndexError, ValueError):
        raise UserError(f"a number from {low:g} to {high:g} is needed") from None
    if not low <= value <= high:
        raise UserError(f"{value:g} is outside {low:g} to {high:g}")
    return value


def _one_of(words: list[str], *choices: str) -> str:
    if not words or words[0] not in choices:
        raise UserError(f"say which: {' or '.join(choices)}")
    return words[0]


def _input(box: SimBoard, words: list[str]) -> int:
    wired = [n + 1 for n, wire in enumerate(box.wiring.wires) if wire is not None]
    n = int(_number(words, 1, len(box.wiring.wires)))
    if n not in wired:
        raise UserError(f"sense input {n} is not wired; these are: {', '.join(map(str, wired))}")
    return n


def _section(box: SimBoard, words: list[str]) -> tuple[int, int]:
    names = [side.name for side in box.plant.spec.sides]
    side = names.index(_one_of(words, *names))
    return side, int(_number(words[1:], 1, len(box.plant.sections(side)))) - 1


def _arm(box: SimBoard, words: list[str]) -> None:
    box.press_arm_button() if _one_of(words, "down", "up") == "down" else box.release_arm_button()


def _stop(box: SimBoard, words: list[str]) -> None:
    box.open_stop_loop() if _one_of(words, "open", "close") == "open" else box.close_stop_loop()


def _weaken(box: SimBoard, words: list[str]) -> None:
    side, section = _section(box, words)
    box.weaken_section(side, section, capacity_factor=0.6, resistance_factor=2.0)


def _charge(box: SimBoard, words: list[str]) -> None:
    names = [side.name for side in box.plant.spec.sides]
    side = names.index(_one_of(words, *names))
    box.plant.set_charge(side, _number(words[1:], 0, 100) / 100)


def _cable(box: SimBoard, words: list[str]) -> None:
    box.unplug_cable() if _one_of(words, "out", "in") == "out" else box.plug_in_cable()


HANDS: dict[str, Hand] = {
    "lever": Hand("lever PERCENT", "move the lever", lambda b, w: b.move_lever(10 * _number(w, 0, 100))),
    "arm": Hand("arm down|up", "press or release the arm button", _arm),
    "stop": Hand("stop open|close", "open or close the stop loop", _stop),
    "blow": Hand("blow INPUT", "blow the fuse of a sense input", lambda b, w: b.cut_sense_wire(_input(b, w))),
    "short": Hand("short INPUT INPUT", "short one sense wire to another",
                  lambda b, w: b.short_sense_wires(_input(b, w), _input(b, w[1:]))),
    "mend": Hand("mend INPUT", "mend a sense wire", lambda b, w: b.mend_sense_wire(_input(b, w))),
    "weaken": Hand("weaken SIDE SECTION", "weaken a section (1 is the lowest)", _weaken),
    "charge": Hand("charge SIDE PERCENT", "set the charge of a string", _charge),
    "lever-cut": Hand("lever-cut a|b", "break the wire of a lever track",
                      lambda b, w: b.cut_lever_wire(_one_of(w, "a", "b"))),
    "lever-short": Hand("lever-short a|b", "short a lever track to the supply",
                        lambda b, w: b.short_lever_wire(_one_of(w, "a", "b"))),
    "lever-mend": Hand("lever-mend", "mend the lever", lambda b, w: b.mend_lever()),
    "adc-silent": Hand("adc-silent 1|2", "an ADC part stops answering",
                       lambda b, w: b.silence_adc(int(_one_of(w, "1", "2")) - 1)),
    "stall": Hand("stall SECONDS", "the processor stalls",
                  lambda b, w: b.stall_processor(_number(w, 0.001, 20))),
    "cable": Hand("cable out|in", "pull or plug the cable", _cable),
}  # fmt: skip


def do(box: SimBoard, line: str) -> None:
    """Carry out one line. Raises UserError in one sentence."""
    words = line.split()
    if not words:
        return
    hand = HANDS.get(words[0])
    if hand is None:
        near = difflib.get_close_matches(words[0], HANDS, 1)
        raise UserError(f"no such thing to do: {words[0]}" + (f"; did you mean {near[0]}?" if near else ""))
    try:
        hand.do(box, words[1:])
    except UserError as error:
        raise UserError(f"{hand.usage}: {error}") from None


def read_script(text: str, name: str) -> list[tuple[float, str]]:
    """(seconds, line) of a script: a time and a thing to do on each line, `#` begins a comment.

    Raises UserError with the line number.
    """
    out: list[tuple[float, str]] = []
    for number, raw in enumerate(text.splitlines(), 1):
        line = raw.split("#", 1)[0].strip()
        if not line:
            continue
        at, _, what = line.partition(" ")
        try:
            t_s = float(at)
        except ValueError:
            raise UserError(f"{name}, line {number}: begins with seconds, as in `12.5 lever 40`") from None
        if out and t_s < out[-1][0]:
            raise UserError(f"{name}, line {number}: {t_s:g} s is before the line above it")
        if what.split()[:1] and what.split()[0] not in HANDS:
            raise UserError(f"{name}, line {number}: no such thing to do: {what.split()[0]}")
        out.append((t_s, what))
    return out
