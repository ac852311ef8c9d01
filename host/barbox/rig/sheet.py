"""A rig sheet in TOML to a Rig, checked: whatever is missing, unknown or contradictory is one sentence."""

from __future__ import annotations

import binascii
import re
import sys
from datetime import date, timedelta
from pathlib import Path

from barbox.errors import UserError
from barbox.rig.boards import BOARDS, Board
from barbox.rig.inputs import Inputs
from barbox.rig.keys import FULL_CELL_V, KEYS, LEARNED_LEVER, keys_of
from barbox.rig.model import Esc, Fan, Pack, Proof, Rig, Side, Vehicle, Wiring
from barbox.rig.table import Table, nearest
from shared_proto.messages import SIDES_MAX
from shared_proto.settings import (
    LEVER_APART_MV,
    LEVER_CLEAR_MV,
    LEVER_RAIL_MV,
    ROWS,
    SETTINGS,
    Setting,
    lever_room_mv,
)

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

_TOP = ("rig", "lever", "cells", "limits", "stream", "wiring", "vehicle", "side")
_SIDE = (
    "name", "cells", "packs", "sense", "negative", "current_sensor", "curve_pm", "current_a", "fan", "esc", "proof",
)  # fmt: skip
_PACK = ("cells", "capacity_ah", "c_rate", "resistance_mohm")
_FAN = ("diameter_mm", "full_thrust_n", "full_power_w", "rated_v", "efficiency", "spool_s", "full_speed_rpm")

_HOLD_LIMIT_S = 1.0
"""An ESC that runs on for longer than this after its pulses end has not been proved to stop (common practice)."""


def lever_nearer_end(rest_mv: float, full_mv: float) -> str:
    """The end point of a lever's track that is nearer to a rail: "rest" or "full"."""
    rest_room_mv = min(rest_mv, LEVER_RAIL_MV - rest_mv)
    return "rest" if rest_room_mv < min(full_mv, LEVER_RAIL_MV - full_mv) else "full"


def load(path: str | Path) -> Rig:
    """The rig of a sheet. Raises UserError, in one sentence, for a file or a value that will not do."""
    path = Path(path)
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise UserError(f"{path}: there is no such file; `barbox new {path}` writes a sheet to start from") from None
    except OSError as error:
        raise UserError(f"{path}: cannot be read ({error.strerror}); name a rig sheet in TOML") from None
    return read(data, str(path))


def read(data: bytes, source: str = "rig sheet") -> Rig:
    """The rig of a sheet's bytes; `source` is what to call it in a message. Raises UserError."""
    try:
        parsed = tomllib.loads(data.decode())
    except UnicodeDecodeError:
        raise UserError(f"{source}: is not text in UTF-8; name a rig sheet in TOML") from None
    except tomllib.TOMLDecodeError as error:
        raise UserError(f"{source}: is not TOML as it stands: {_first_clause(error)}; mend that line") from None
    rig = _rig(Table(source, "", parsed, _TOP), binascii.crc32(data))
    rig.settings()  # what the box itself would refuse is refused here
    return rig


def _first_clause(error: Exception) -> str:
    text = str(error)
    return text[:1].lower() + text[1:]


def _rig(top: Table, crc: int) -> Rig:
    head = top.table("rig", ("name", "board", "cells_total"), needed=True)
    name = _name(head, "name", "trike", _size("rig"))
    board_name = head.text("board", "pico_w")
    board = BOARDS.get(board_name)
    if board is None:
        meant = nearest(board_name, BOARDS)
        hint = f"did you mean {meant}?" if meant else f"known boards: {', '.join(BOARDS)}"
        head.fail("board", f'is "{board_name}", which is no board; {hint}')
    plain, stated, full_cell_v = _plain(top, board)
    tables = top.tables("side", _SIDE, "[[side]]")
    if len(tables) > SIDES_MAX:
        top.fail("side", f"has {len(tables)} sides, a box has room for {SIDES_MAX}: remove some")
    sides: list[Side] = []
    inputs = Inputs(board, full_cell_v)
    for table in tables:
        side = _side(table, inputs)
        for n, other in enumerate(sides):
            if other.name == side.name:
                table.fail("name", f'is "{side.name}", as is side[{n + 1}].name: give each side its own name')
        sides.append(side)
    cells = sum([s.cells for s in sides])
    if head.has("cells_total") and (total := head.whole("cells_total", 1, 200)) != cells:
        head.fail("cells_total", f"is {total}, and the sides have {cells}: correct one of them")
    wiring = top.table("wiring", ("lead_m", "lead_mm2", "contacts_mohm", "fuse_mohm", "reference_ppm"))
    most_ppm = SETTINGS[ROWS["reference_ppm"]].high
    held = wiring.whole("reference_ppm", 1, most_ppm, "ppm") if wiring.has("reference_ppm") else None
    vehicle = top.table("vehicle", ("mass_kg", "crr", "cda_m2", "fan_spacing_mm"))
    return Rig(
        name=name,
        board=board,
        sides=tuple(sides),
        plain=plain,
        stated=stated,
        full_cell_v=full_cell_v,
        wiring=Wiring(
            lead_m=wiring.number("lead_m", 0.05, 20, "m", default=Wiring.lead_m),
            lead_mm2=wiring.number("lead_mm2", 0.5, 200, "mm2", default=Wiring.lead_mm2),
            contacts_mohm=wiring.number("contacts_mohm", 0, 20, "milliohm", default=Wiring.contacts_mohm),
            fuse_mohm=wiring.number("fuse_mohm", 0, 20, "milliohm", default=Wiring.fuse_mohm),
            reference_ppm=held,
        ),
        vehicle=Vehicle(
            mass_kg=vehicle.maybe("mass_kg", 5, 2000, "kg"),
            crr=vehicle.maybe("crr", 0, 0.1),
            cda_m2=vehicle.maybe("cda_m2", 0, 5, "m2"),
            fan_spacing_mm=vehicle.maybe("fan_spacing_mm", 50, 5000, "mm"),
        ),
        crc=crc,
        source=top.source,
    )


def _size(row: str) -> int:
    return int(SETTINGS[ROWS[row]].code[:-1])


def _name(table: Table, key: str, example: str, longest: int) -> str:
    text = table.text(key, example)
    if not re.fullmatch(rf"[A-Za-z][A-Za-z0-9_-]{{0,{longest - 1}}}", text):
        table.fail(key, f'is "{text}": write a letter, then letters, digits, - or _, at most {longest} in all')
    return text


def _plain(top: Table, board: Board) -> tuple[dict[str, int], frozenset[str], float]:
    values: dict[str, int] = {}
    stated = set()
    tables = {name: top.table(name, _plain_keys(name)) for name in dict.fromkeys(k.table for k in KEYS)}
    for k in KEYS:
        table = tables[k.table]
        if k.choices:
            values[k.row] = k.choices.index(table.choice(k.key, k.choices, default=k.choices[k.setting.default]))
        else:
            read = table.number if k.scale > 1 else table.whole
            value = read(k.key, k.low, k.high, k.unit, default=k.default)  # type: ignore[arg-type]
            values[k.row] = round(value * k.scale)
        if table.has(k.key):
            stated.add(k.row)
    cells = tables["cells"]
    full_cell_v = cells.number("full_v", 4.0, 4.4, "v", default=FULL_CELL_V)
    over_v = values["cell_over_mv"] / 1000
    if full_cell_v > over_v:
        cells.fail("full_v", f"is {full_cell_v:g}, above over_v = {over_v:g}: raise over_v or lower full_v")
    floor, low, warn = (values[f"cell_{k}_mv"] / 1000 for k in ("floor", "low", "warn"))
    if not floor < low < warn < full_cell_v:
        cells.fail(
            "",
            f"have floor_v = {floor:g}, low_v = {low:g}, warn_v = {warn:g}, full_v = {full_cell_v:g}: "
            "they must rise in this order",
        )
    lever = tables["lever"]
    tracks = values["lever_tracks"]
    if tracks > board.lever_tracks:
        lever.fail(
            "tracks",
            f"is {tracks}, and board {board.name} reads {board.lever_tracks}: write tracks = {board.lever_tracks} "
            f"(a single track is capped at {values['single_track_cap_pm'] / 10:g} %) or use another board",
        )
    for track in "ab"[:tracks]:
        rest, full = values[f"lever_{track}_rest_mv"], values[f"lever_{track}_full_mv"]
        if abs(full - rest) < LEVER_APART_MV:
            lever.fail(
                f"{track}_full_mv",
                f"is {full}, less than {LEVER_APART_MV} mV from {track}_rest_mv = {rest}: measure both again",
            )
        room_mv = lever_room_mv(rest, full, values["lever_margin_pm"])
        if room_mv < LEVER_CLEAR_MV:
            lever.fail(
                f"{track}_{lever_nearer_end(rest, full)}_mv",
                f"and margin_percent = {values['lever_margin_pm'] / 10:g} come within {room_mv} mV of a rail, and "
                f"{LEVER_CLEAR_MV} is the least, or a broken wire passes for a position: move the sensor or its magnet",
            )
    _speed_and_supply(tables["limits"], values, board)
    half_stated = [row for row in LEARNED_LEVER if row in stated]
    if half_stated and len(half_stated) < 2 * tracks:
        lever.fail("", "gives some end points and not all: give rest and full of each track, or none")
    return values, frozenset(stated), full_cell_v


def _speed_and_supply(limits: Table, values: dict[str, int], board: Board) -> None:
    if values["supply_min_mv"] and not board.supply:
        limits.fail(
            "supply_min_v",
            f"is {values['supply_min_mv'] / 1000:g}, and board {board.name} cannot sense the supply: leave it out or "
            "use another board",
        )
    begin, end = (values[row] / 10 for row in ("fade_from_dmh", "fade_to_dmh"))
    if bool(begin) != bool(end):
        given, missing = ("fade_from_km_h", "fade_to_km_h") if begin else ("fade_to_km_h", "fade_from_km_h")
        limits.fail(missing, f"is missing beside {given}: give both speeds, or none for no fade")
    if begin and end <= begin:
        limits.fail("fade_to_km_h", f"is {end:g}, not above fade_from_km_h = {begin:g}: raise it")
    if begin and not values["wheel_mm"]:
        limits.fail("wheel_mm", "is missing, and the fade needs speed: give the way of the wheel for one pulse")


def _plain_keys(table: str) -> list[str]:
    return [k.key for k in keys_of(table)] + (["full_v"] if table == "cells" else [])


def _side(table: Table, inputs: Inputs) -> Side:
    name = _name(table, "name", "left", _size("side.name"))
    if re.fullmatch(r"(side|sense)\d*", name):
        table.fail("name", f'is "{name}", which names a setting of any side: choose another, such as "left"')
    most = SETTINGS[ROWS["side.cells"]].high
    cells = table.whole("cells", 1, most)
    packs = tuple(
        Pack(
            cells=p.whole("cells", 1, most),
            capacity_ah=p.number("capacity_ah", 0.1, 200, "Ah"),
            c_rate=p.number("c_rate", 1, 200, "C"),
            resistance_mohm=p.maybe("resistance_mohm", 0.05, 200, "milliohm"),
        )
        for p in table.tables("packs", _PACK, "{ cells = 5, capacity_ah = 10, c_rate = 25 }")
    )
    of_packs = sum([p.cells for p in packs])
    if of_packs != cells:
        table.fail(
            "cells", f"is {cells}, and the packs add up to {of_packs} ({' + '.join([str(p.cells) for p in packs])}): "
            "correct the one that is wrong"
        )  # fmt: skip
    fan = table.table("fan", _FAN, needed=True)
    esc = table.table("esc", ("idle_us", "full_us", "rating_a"))
    return Side(
        name=name,
        cells=cells,
        packs=packs,
        sense=inputs.points(table, cells),
        fan=Fan(
            diameter_mm=fan.number("diameter_mm", 20, 1000, "mm"),
            full_thrust_n=fan.number("full_thrust_n", 0.1, 2000, "N"),
            full_power_w=fan.number("full_power_w", 1, 100000, "W"),
            rated_v=fan.maybe("rated_v", 3, 120, "V"),
            efficiency=fan.maybe("efficiency", 0.1, 1),
            spool_s=fan.maybe("spool_s", 0.01, 5, "s"),
            full_speed_rpm=fan.maybe("full_speed_rpm", 500, 200000, "rpm"),
        ),
        esc=Esc(
            idle_us=_row(esc, "idle_us", "side.idle_us"),
            full_us=_row(esc, "full_us", "side.full_us"),
            rating_a=esc.maybe("rating_a", 1, 2000, "A"),
        ),
        curve_pm=_curve(table) if table.has("curve_pm") else None,
        proof=_proof(table.table("proof", ("stop_proved", "hold_s", "record", "mark"))) if table.has("proof") else None,
        current_a=_current(table) if table.has("current_a") else None,
        negative=inputs.negative(table),
        current_sensor=inputs.current_sensor(table),
    )


def _row(table: Table, key: str, row: str) -> int:
    s: Setting = SETTINGS[ROWS[row]]
    return table.whole(key, s.low, s.high, s.unit, default=s.default)


def _curve(table: Table) -> tuple[int, ...]:
    s = SETTINGS[ROWS["side.curve"]]
    curve = table.numbers("curve_pm", int(s.code[:-1]), s.low, s.high, s.unit)
    if curve[0] != 0:
        table.fail("curve_pm", f"begins at {curve[0]}: write 0 first, so that no demand is idle")
    for n in range(1, len(curve)):
        if curve[n] < curve[n - 1]:
            table.fail("curve_pm", f"falls from {curve[n - 1]} to {curve[n]} at its entry {n + 1}: it must not fall")
    return curve


def _current(table: Table) -> tuple[float, ...]:
    s = SETTINGS[ROWS["side.current_da"]]
    current = table.decimals("current_a", int(s.code[:-1]), s.low / 10, s.high / 10, "A")
    for n in range(1, len(current)):
        if current[n] < current[n - 1]:
            before, after = current[n - 1], current[n]
            table.fail("current_a", f"falls from {before:g} to {after:g} at its entry {n + 1}: measure it again")
    return current


def _proof(table: Table) -> Proof:
    day = table.day("stop_proved")
    if day > date.today() + timedelta(days=1):  # a day for clocks of other zones
        table.fail("stop_proved", f"is {day}, which has not come yet: nobody has proved anything then")
    hold_s = table.number("hold_s", 0, 60, "s")
    if hold_s > _HOLD_LIMIT_S:
        table.fail(
            "hold_s",
            f"is {hold_s:g}: an ESC that runs on for more than {_HOLD_LIMIT_S:g} s without pulses is not proved to "
            "stop; change its settings and prove it again, or leave `proof` out and ride capped",
        )
    record, mark = [table.text(key, "") if table.has(key) else "" for key in ("record", "mark")]
    return Proof(day, hold_s, record, mark)
