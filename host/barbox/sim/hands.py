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


def _weaken(box: SimBoard, words: list[str]) -> None:
    side, section = _section(box, words)
    box.weaken_section(side, section, capacity_factor=0.6, resistance_factor=2.0)


def _charge(box: SimBoard, words: list[str]) -> None:
    names = [side.name for side in box.plant.spec.sides]
    side = names.index(_one_of(words, *names))
    box.plant.set_charge(side, _number(words[1:], 0, 100) / 100)


def _wires(box: SimBoard, words: list[str], do: Callable[[int, int], None]) -> None:
    do(_input(box, words), _input(box, words[1:]))


def _either(
    words: list[str], first: str, second: str, do_first: Callable[[], None], do_second: Callable[[], None]
) -> None:
    do_first() if _one_of(words, first, second) == first else do_second()


HANDS: dict[str, Hand] = {
    "lever": Hand("lever PERCENT", "move the lever", lambda b, w: b.move_lever(10 * _number(w, 0, 100))),
    "arm": Hand("arm down|up", "press or release the arm button",
                lambda b, w: _either(w, "down", "up", b.press_arm_button, b.release_arm_button)),
    "stop": Hand("stop open|close", "open or close the stop loop",
                 lambda b, w: _either(w, "open", "close", b.open_stop_loop, b.close_stop_loop)),
    "stop-wires": Hand("stop-wires short|mend", "the wires of the stop loop touch, or do no more",
                       lambda b, w: _either(w, "short", "mend", b.short_stop_loop, b.mend_stop_loop)),
    "brake": Hand("brake down|up", "press or release the brake switch",
                  lambda b, w: _either(w, "down", "up", b.press_brake, b.release_brake)),
    "blow": Hand("blow INPUT", "blow the fuse of a sense input", lambda b, w: b.cut_sense_wire(_input(b, w))),
    "short": Hand("short INPUT INPUT", "short one sense wire to another",
                  lambda b, w: _wires(b, w, b.short_sense_wires)),
    "swap": Hand("swap INPUT INPUT", "exchange two sense wires; again: back",
                 lambda b, w: _wires(b, w, b.swap_sense_wires)),
    "freeze": Hand("freeze INPUT", "the ADC gives the code of this moment for ever",
                   lambda b, w: b.freeze_sense_input(_input(b, w))),
    "thaw": Hand("thaw INPUT", "it follows again", lambda b, w: b.thaw_sense_input(_input(b, w))),
    "shake": Hand("shake INPUT VOLTS", "noise from vibration on a sense wire; 0 ends it",
                  lambda b, w: b.shake_sense_wire(_input(b, w), _number(w[1:], 0, 50))),
    "loosen": Hand("loosen INPUT", "a sense wire opens twice a second for 10 s",
                   lambda b, w: b.loosen_sense_wire(_input(b, w))),
    "divider": Hand("divider INPUT FACTOR", "a divider of the wrong value: it divides FACTOR times as much",
                    lambda b, w: b.wrong_divider(_input(b, w), _number(w[1:], 0.1, 10))),
    "mend": Hand("mend INPUT", "mend a sense wire", lambda b, w: b.mend_sense_wire(_input(b, w))),
    "weaken": Hand("weaken SIDE SECTION", "weaken a section (1 is the lowest)", _weaken),
    "charge": Hand("charge SIDE PERCENT", "set the charge of a string", _charge),
    "lever-cut": Hand("lever-cut a|b", "break the wire of a lever track",
                      lambda b, w: b.cut_lever_wire(_one_of(w, "a", "b"))),
    "lever-short": Hand("lever-short a|b", "short a lever track to the supply",
                        lambda b, w: b.short_lever_wire(_one_of(w, "a", "b"))),
    "lever-join": Hand("lever-join", "the signal wires of both lever tracks touch", lambda b, w: b.join_lever_tracks()),
    "lever-ground": Hand("lever-ground a|b|ab", "open the ground of a hall, or of both",
                         lambda b, w: b.cut_lever_ground(_one_of(w, "a", "b", "ab"))),
    "lever-off": Hand("lever-off", "the lever loses its supply", lambda b, w: b.switch_off_lever_supply()),
    "lever-shake": Hand("lever-shake MILLIVOLTS", "noise from vibration; 0 ends it",
                        lambda b, w: b.shake_lever(_number(w, 0, 1000))),
    "lever-drift": Hand("lever-drift a|b MILLIVOLTS", "a track drifts by so much a second",
                        lambda b, w: b.drift_lever(_one_of(w, "a", "b"), _number(w[1:], -1000, 1000))),
    "lever-stick": Hand("lever-stick", "the lever does not come back from where it is", lambda b, w: b.stick_lever()),
    "lever-free": Hand("lever-free", "it moves freely again", lambda b, w: b.free_lever()),
    "rest-switch": Hand("rest-switch open|close", "the lever's rest switch stays open or closed",
                        lambda b, w: b.stick_rest_switch(_one_of(w, "open", "close") == "close")),
    "lever-mend": Hand("lever-mend", "mend the lever", lambda b, w: b.mend_lever()),
    "supply": Hand("supply VOLTS", "supply of lever and ESC signals", lambda b, w: b.set_supply_v(_number(w, 0, 5.5))),
    "ground": Hand("ground open|close", "open or close the ground of the box",
                   lambda b, w: _either(w, "open", "close", b.open_box_ground, b.close_box_ground)),
    "wheel": Hand("wheel cut|mend", "break or mend the wire of the wheel sensor",
                  lambda b, w: _either(w, "cut", "mend", b.cut_wheel_wire, b.mend_wheel_wire)),
    "adc-silent": Hand("adc-silent 1|2", "an ADC part stops answering",
                       lambda b, w: b.silence_adc(int(_one_of(w, "1", "2")) - 1)),
    "stall": Hand("stall SECONDS", "the processor stalls",
                  lambda b, w: b.stall_processor(_number(w, 0.001, 20))),
    "cable": Hand("cable out|in", "pull or plug the cable",
                  lambda b, w: _either(w, "out", "in", b.unplug_cable, b.plug_in_cable)),
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
