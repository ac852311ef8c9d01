"""The estimators against electrochemical cells that they were not fitted to; `python THIS_FILE` prints the figures.

The sensing has 5 mV of noise on a section of six cells and steps of 2 mV. Capacity and current are stated wrongly:
by 3 % and, with a sensor, 2 %, from the measured curve 6 %, both to the same side, both ways. Errors are judged from
ten seconds after power-up down to 20 % or 10 % left, as long as the cell is above the default floor under load: below
it the box would have eased the thrust off.

No number of the estimators was fitted to these cells, but their form was chosen while watching rides 1 to 3 of the
first two: that a steady pull teaches nothing, and that charge transfer is bent. Rides 11 and up and the third cell
were not looked at before that form was fixed. All were looked at when three things were added: a capacity that is
learned beside the charge, a count that corrects what is slow, a wider guess of the bend. What helped one cell and
harmed another was left out: a knee of the curve that may come earlier, slow sag that is not learned near empty,
more trust in the count (better here by 2 points, worse by 4 with a worn pack).

The aims: charge left within 5 points with a current sensor and 10 without; sag after 10 s of full thrust within
10 %, told at the moment before the pull; the low warning between 30 and 12 % left. Where a bound below is wider than
its aim, the aim is missed, by the figure that stands there.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from random import Random

import numpy as np
import pytest

pytestmark = pytest.mark.reference
pytest.importorskip("pybamm")

from services.estimate import Estimator  # noqa: E402
from shared_proto.settings import Values  # noqa: E402
from tests.reference.electrochemical import CELL_AH, Discharge, discharge  # noqa: E402
from tests.unit.estimator_rides import TICK_S, UNKNOWN, Feed, rig, sensed_mv  # noqa: E402

CELLS = 6
WARN_MV, LOW_MV = (Values().get(name) for name in ("cell_warn_mv", "cell_low_mv"))
FLOOR_V = Values().get("cell_floor_mv") / 1000
AFTER_S = 10.0
SETTLED_S = 200.0  # sag is asked for once a ride has taught something
ERRORS = {"sensor": (0.03, 0.02), "curve": (0.03, 0.06), "nothing": (0.0, 0.0)}


@dataclass
class Figures:
    charge_points: float = 0.0  # worst error of charge left, down to 20 %
    charge_end_points: float = 0.0  # the same, down to 10 %
    rest_mv: float = 0.0  # worst error of the voltage at rest of a mean cell
    sag: list[float] = field(default_factory=list)  # relative error of the sag foretold, one for each pull
    warn_left: float | None = None  # per cent left when the warnings fire
    low_left: float | None = None


def figures(run: Discharge, mode: str, sign: int, seed: int, capacity_error: float | None = None) -> Figures:
    """One run of the estimator. `mode`: with a `sensor`, from the measured `curve`, or `nothing` stated at all."""
    usual, current_error = (sign * e for e in ERRORS[mode])
    capacity_error = usual if capacity_error is None else capacity_error
    known = mode != "nothing"
    feed = Feed(
        rig(
            (CELLS,), 1,
            capacity_mah=round(1000 * CELL_AH * (1 + capacity_error)) if known else 0,
            full_a=run.full_a * (1 + current_error) if known else 0.0,
        )
    )  # fmt: skip
    random = Random(seed)
    out = Figures()
    asked: dict[int, int] = {}
    pull = round(10.5 / TICK_S)  # from half of full on the way up, the ramp takes a second more to the top
    for k, volts in enumerate(run.volts):
        feed.sections_mv[0] = sensed_mv(CELLS * volts, random)
        feed.demand_pm[0] = run.demand_pm[k]
        feed.sensor_da[0] = UNKNOWN
        if mode == "sensor":
            feed.sensor_da[0] = max(0, round(10 * (run.amperes[k] * (1 + current_error) + random.gauss(0, 0.5))))
        estimator: Estimator = feed.tick()
        left = 100 * run.left[k]
        rest_mv = estimator.weakest_rest_cell_mv
        if out.warn_left is None and rest_mv < WARN_MV:
            out.warn_left = left
        if out.low_left is None and rest_mv < LOW_MV:
            out.low_left = left
        asked[k] = estimator.full_sag_cell_mv[0]
        if volts < FLOOR_V or k * TICK_S < AFTER_S or left < 10:
            continue
        off = abs(left - estimator.charge_pm[0] / 10)
        out.charge_end_points = max(out.charge_end_points, off)
        if left > 20:
            out.charge_points = max(out.charge_points, off)
        out.rest_mv = max(out.rest_mv, abs(1000 * run.rest_volts[k] - rest_mv))
        start = k - pull
        if start * TICK_S > SETTLED_S and run.demand_pm[start] < 600 <= run.demand_pm[start + 1]:
            held = run.demand_pm[start + 5 : k + 1]
            if min(held) == 1000:
                true_mv = 1000 * (run.rest_volts[k] - volts)
                out.sag.append((asked[start] - true_mv) / true_mv)
    return out


@dataclass(frozen=True)
class Bounds:
    """What holds, with little to spare. Percentage points, mV, per cent."""

    charge: dict[str, float]
    charge_end: dict[str, float]
    rest_mv: float
    sag_median: float
    sag_worst: float
    warn_left: tuple[float, float]
    low_left: tuple[float, float]


BOUNDS = {
    # Nearest to the cells in question. The aims for charge are met by far down to 20 %; at full thrust below 15 % this
    # cell starves, its voltage collapses in seconds, and charge reads up to 9 points low. Single pulls miss the 10 %.
    "Ramadass2004": Bounds(
        charge={"sensor": 1.8, "curve": 3.8, "nothing": 5.2}, charge_end={"sensor": 9, "curve": 9.8, "nothing": 9.6},
        rest_mv=210, sag_median=7, sag_worst=18, warn_left=(22, 27), low_left=(10, 21),
    ),
    # Sag is foretold too large by a tenth: charge transfer is bent more than the model allows for.
    "Ai2020": Bounds(
        charge={"sensor": 2.6, "curve": 4, "nothing": 9}, charge_end={"sensor": 2.8, "curve": 4.2, "nothing": 9},
        rest_mv=84, sag_median=13.5, sag_worst=17.5, warn_left=(23.5, 27.2), low_left=(11.5, 17.2),
    ),
    # Another chemistry, whose curve is up to 17 points from the one the box knows: without a known current there is
    # nothing else to go by. Near its knee, below 25 %, the fall of the curve passes for sag: single pulls there are
    # foretold far too large.
    "Ecker2015": Bounds(
        charge={"sensor": 5.5, "curve": 8, "nothing": 17}, charge_end={"sensor": 8, "curve": 9.8, "nothing": 17},
        rest_mv=140, sag_median=12.5, sag_worst=78, warn_left=(27, 31), low_left=(18, 23.4),
    ),
}  # fmt: skip
# A steady pull from full to empty. Its first minutes teach what is fast; what is slow only the count can tell, where
# the current is known, and only above half of the charge.
STEADY = {
    "Ramadass2004": Bounds(
        charge={"sensor": 1.2, "curve": 3, "nothing": 4.2}, charge_end={"sensor": 4.4, "curve": 5.2, "nothing": 8.4},
        rest_mv=80, sag_median=0, sag_worst=0, warn_left=(22, 25.5), low_left=(17, 19.5),
    ),
    # Its resistance is five times what is guessed: the warning comes early.
    "Ai2020": Bounds(
        charge={"sensor": 2, "curve": 3.8, "nothing": 13.5}, charge_end={"sensor": 5, "curve": 6, "nothing": 13.6},
        rest_mv=118, sag_median=0, sag_worst=0, warn_left=(27, 38.5), low_left=(18.5, 25.5),
    ),
    # Voltage at rest is right within 30 mV; what is missed is the curve of this chemistry.
    "Ecker2015": Bounds(
        charge={"sensor": 8, "curve": 12, "nothing": 23.5}, charge_end={"sensor": 11.3, "curve": 12.8, "nothing": 23.5},
        rest_mv=32, sag_median=0, sag_worst=0, warn_left=(29, 33.5), low_left=(24, 27.5),
    ),
}  # fmt: skip
# A worn pack that has four fifths of what is stated: charge reads high, the warnings still come by the voltage.
WORN = 0.25
RIDES = {
    "Ramadass2004": ("pulsed", "ride1", "ride3", "ride11", "ride12", "ride13"),
    "Ai2020": ("pulsed", "ride11", "ride12"),
    "Ecker2015": ("ride11", "ride12"),
}


def _hold(bounds: Bounds, mode: str, f: Figures) -> None:
    assert f.charge_points <= bounds.charge[mode]
    assert f.charge_end_points <= bounds.charge_end[mode]
    assert f.rest_mv <= bounds.rest_mv
    assert f.warn_left is not None and bounds.warn_left[0] <= f.warn_left <= bounds.warn_left[1]
    assert f.low_left is not None and bounds.low_left[0] <= f.low_left <= bounds.low_left[1]


def _signs(mode: str) -> tuple[int, ...]:
    return (1,) if mode == "nothing" else (1, -1)


def _in_one_worker(cell: str, scenario: str, *values: str):
    """A case for one worker of a run by several: the discharge takes longer than all that is made of it."""
    return pytest.param(*values, marks=pytest.mark.xdist_group(f"{cell} {scenario}"))


@pytest.mark.parametrize("mode", ERRORS)
@pytest.mark.parametrize(
    ("cell", "scenario"), [_in_one_worker(c, s, c, s) for c, scenarios in RIDES.items() for s in scenarios]
)
def test_rides(cell, scenario, mode):
    bounds = BOUNDS[cell]
    for sign in _signs(mode):
        f = figures(discharge(cell, scenario), mode, sign, seed=sign + 1)
        _hold(bounds, mode, f)
        assert len(f.sag) >= 3, "too few pulls to judge the sag by"
        assert abs(100 * float(np.median(f.sag))) <= bounds.sag_median
        assert 100 * max(abs(e) for e in f.sag) <= bounds.sag_worst


@pytest.mark.parametrize("mode", ERRORS)
@pytest.mark.parametrize("cell", [_in_one_worker(c, "constant", c) for c in STEADY])
def test_steady_pull(cell, mode):
    for sign in _signs(mode):
        _hold(STEADY[cell], mode, figures(discharge(cell, "constant"), mode, sign, seed=sign + 1))


@pytest.mark.parametrize("mode", ["sensor", "curve"])
@pytest.mark.parametrize("cell", [_in_one_worker(c, "ride11", c) for c in RIDES])
def test_a_worn_pack_is_still_warned_of(cell, mode):
    f = figures(discharge(cell, "ride11"), mode, 1, seed=2, capacity_error=WORN)
    assert f.charge_points <= (12.5 if mode == "sensor" else 8.2)
    assert f.warn_left is not None and 18 <= f.warn_left <= 30
    assert f.low_left is not None and f.low_left >= 9


def main() -> None:
    print("cell          scenario  mode      charge to 20, 10 %   rest mV   sag %, median, pulls   warn, low at % left")
    for cell, scenarios in RIDES.items():
        for scenario in ("constant", *scenarios):
            for mode in ERRORS:
                for sign in _signs(mode):
                    f = figures(discharge(cell, scenario), mode, sign, seed=sign + 1)
                    pulls = [100 * e for e in f.sag] or [0.0]
                    print(
                        f"{cell:14}{scenario:10}{mode:8}{'+' if sign > 0 else '-'} {f.charge_points:12.1f} "
                        f"{f.charge_end_points:5.1f} {f.rest_mv:10.0f} {min(pulls):+10.0f}..{max(pulls):+.0f}, "
                        f"{float(np.median(pulls)):+.0f} of {len(f.sag):2} "
                        f"{f.warn_left or 0:9.1f} {f.low_left or 0:5.1f}"
                    )


if __name__ == "__main__":
    main()
