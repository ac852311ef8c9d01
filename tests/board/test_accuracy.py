"""What the box shows against the truth in the plant: calibrated at two points by a perfect meter, at both boards.

Twelve cells a side, so that full is 50.4 V.
"""

from statistics import fmean

import pytest
from bench_host import Host, arm

from barbox import words
from barbox.rig import read
from barbox.rig.boards import BOARDS
from barbox.rig.template import new_text
from barbox.sim.board import LEFT, RIGHT, SimBoard
from shared_proto import messages

CELLS = 12
TOP_V = 50.0


def rig(board: str, *, negative: bool = True):
    text = new_text("twelve", ["left", "right"], CELLS, BOARDS[board])
    if not negative:
        text = "\n".join([line for line in text.splitlines() if not line.startswith("negative")])
    return read(text.encode())


class Bench:
    """A box with its rig applied, and a meter without error: the plant's own voltages."""

    def __init__(self, of, seed: int):
        values = of.settings()
        values.put("arm_hold_ms", 500)
        values.put("esc_idle_ms", 1000)
        for side in (LEFT, RIGHT):
            values.put("side.proven", 1, side)
        self.values = values
        self.box = SimBoard(of.plant_spec(), values, values=values, board=of.board.name, seed=seed, boot_s=0.1)

    def __enter__(self):
        self.box.power_on()
        self.host = Host(self.box)
        self.host.ride(0.5)
        return self

    def __exit__(self, *_):
        self.host.close()
        self.box.close()

    def points(self):
        """Inputs with a sense point: (input, side, section)."""
        sides = words.Layout(self.values).sides
        return [(s.sense, n, k) for n, side in enumerate(sides) for k, s in enumerate(side.sections)]

    def charge_to(self, volts: float):
        """Both strings to so many volts at rest."""
        cell = self.box.plant.spec.sides[0].sections[0].cell
        low, high = 0.0, 1.0
        for _ in range(40):
            middle = (low + high) / 2
            low, high = (middle, high) if cell.open_circuit_at(middle) * CELLS < volts else (low, middle)
        for side in (LEFT, RIGHT):
            self.box.plant.set_charge(side, low)
        self.host.ride(0.5)

    def look(self, count: int = 25):
        """Mean code of each input and mean truth of each sense point."""
        codes = [[] for _ in range(8)]
        truth = {p: [] for p in self.points()}
        for _ in range(count):
            seen = self.host.request(messages.SENSE_GET)
            for n in range(8):
                codes[n].append(seen.code[n])
            for n, side, section in truth:
                truth[n, side, section].append(self.box.plant.sense_points_v(side)[section])
            self.host.ride(0.1)
        return [fmean(c) for c in codes], {p: fmean(v) for p, v in truth.items()}

    def calibrate(self, uncertainty_mv: int):
        """At 40 V and full, by the line through both."""
        self.charge_to(40.0)
        low_code, low_v = self.look()
        self.charge_to(50.4)
        high_code, high_v = self.look()
        for at in self.points():
            n = at[0]
            v_per_count = (high_v[at] - low_v[at]) / (high_code[n] - low_code[n])
            self.host.put("sense.nv_per_count", round(1e9 * v_per_count), n)
            self.host.put("sense.offset_mv", round(1000 * (low_v[at] - v_per_count * low_code[n])), n)
            self.host.put("sense.calibrated", 1, n)
            self.host.put("sense.uncertainty_mv", uncertainty_mv, n)
        self.host.request(messages.SETTING_COMMIT)
        self.host.ride(1.0)

    def errors_v(self, seconds: float = 4.0):
        """Error of every status at each sense point."""
        errors = {p: [] for p in self.points()}
        for _ in range(round(seconds * 10)):
            self.host.ride(0.1)
            for n, side, section in errors:
                truth = self.box.plant.sense_points_v(side)[section]
                errors[n, side, section].append(self.host.status.sense_mv[n] / 1000 - truth)
        return errors


def worst(errors) -> float:
    return max(abs(e) for one in errors.values() for e in one)


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
@pytest.mark.parametrize(("board", "within_v", "uncertainty_mv"), [("pico_w", 0.030, 20), ("pico", 0.150, 100)])
def test_two_points_of_a_perfect_meter(board, within_v, uncertainty_mv, seed):
    with Bench(rig(board), seed) as bench:
        bench.charge_to(TOP_V)
        nominal = worst(bench.errors_v(1.0))
        bench.calibrate(uncertainty_mv)
        for volts in (TOP_V, 46.0, 42.0):
            bench.charge_to(volts)
            errors = bench.errors_v()
            assert worst(errors) <= within_v
            assert worst(errors) <= uncertainty_mv / 1000
        assert nominal > worst(errors)  # there was something to calibrate
        assert nominal <= 1.5 * max(bench.values.get("sense.uncertainty_mv", n) for n in range(8)) / 1000


@pytest.mark.parametrize(("board", "percent"), [("pico", 1.0), ("pico", -1.0), ("pico_w", 0.1)])
def test_drift_of_the_reference_is_what_the_box_states(board, percent):
    with Bench(rig(board), 2) as bench:
        bench.calibrate(100 if board == "pico" else 20)
        known = bench.host.hello()
        bench.charge_to(TOP_V)
        bench.box.drift_reference(percent)
        bench.host.ride(0.5)
        errors = bench.errors_v(1.0)
        tops = {side: errors[p] for side in (LEFT, RIGHT) for p in errors if p[1] == side}  # the last is the top
        for side, seen in tops.items():
            error_mv = 1000 * abs(fmean(seen))
            assert 0.8 * known.side_drift_mv[side] <= error_mv <= known.side_uncertainty_mv[side]
        assert known.uncertainty_mv == max(known.side_uncertainty_mv)
        # 1 % at 50 V is half a volt (the chip's rail); 0.1 % a twentieth (the I2C part's own reference).
        assert known.side_drift_mv[LEFT] == pytest.approx(10 * abs(percent) * TOP_V, rel=0.05)


@pytest.mark.parametrize("negative", [True, False])
def test_ground_offset_grows_with_current_as_stated_or_is_sensed(negative):
    with Bench(rig("pico_w", negative=negative), 3) as bench:
        bench.calibrate(20)
        known = bench.host.hello()
        bench.charge_to(TOP_V)
        arm(bench.box)
        bench.box.move_lever(1000)
        bench.host.ride(4)
        layout = words.Layout(bench.values)
        shown_v, _, _ = layout.volts(layout.sides[LEFT], bench.host.status)
        assert shown_v is not None
        current_a = bench.box.plant.current_a(LEFT)
        error_mv = 1000 * (shown_v - bench.box.string_voltage_v(LEFT))
        grown_mv = known.side_growth_mv[LEFT] * current_a / 100
        assert current_a > 20
        assert abs(error_mv) <= known.side_uncertainty_mv[LEFT] + grown_mv
        if negative:
            assert known.side_growth_mv[LEFT] == 0
        else:
            assert grown_mv > 30 and -error_mv == pytest.approx(grown_mv, abs=known.side_uncertainty_mv[LEFT])
