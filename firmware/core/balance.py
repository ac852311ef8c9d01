"""Sides that should draw current and do not: a dead fan, or an ESC that re-started and waits for idle.

A side that works pulls its own string down. Five times a second the sag of each side under a steady demand is
held against the others', and a sudden rise of one string while demand has not fallen is noticed. Where the current
of a pull is known, a pull of many amperes without any sag at all is noticed too: ESCs without supply, which would
start under an open lever when it comes. Each makes `side_idle`, which stands until the lever has been at rest,
since with all thrust eased nothing can be told.

Sides need not be alike. Sag goes with cells times current, over capacity (cells of one kind: resistance goes with one
over capacity; common practice, no source), so that is the weight of a side where the bench has measured all currents.
Where it has not, cells are the weight, and only sides that are given the same are held against each other.
"""

from array import array

import micropython
from micropython import const

from shared_proto.messages import NOT_KNOWN_MV, SIDES_MAX

_EVERY_MS = const(200)
_REST_MS = const(1000)  # at zero demand for this long, the string's voltage is a reference
_FROM_PM = const(200)  # below this demand the sag is too small to judge
_PULL_ROUNDS = const(10)  # a pull is judged this long after it began: fans have spooled up
_LEAST_MV = const(300)  # sag of the side that works, at the least; common practice, no source
_LOOK_ROUNDS = const(5)  # how far back a rise is looked for: a second
_SLACK_PM = const(50)  # demand may have changed by this much meanwhile
_FALL_PM = const(10)  # between two rounds: demand falls, and fans run down for a while after
_SURE_DA = const(400)  # from this current on, 0.1 A, any string sags by more than ...
_NONE_MV = const(50)  # ... this: 1.25 milliohm, a quarter of the best strings (common practice, no source)
_SURE_ROUNDS = const(25)  # only so early in a pull: later, a pack that recovers from the pull before hides some sag
_NEVER_PM = const(1001)
_FULL = const(1000)  # weight of the side that sags the most, at full
_CALM_ROUNDS = const(_LOOK_ROUNDS + 8)  # a rise is judged when demand has not fallen for this long before the look


class Balance:
    """`side_idle`: which side (from 0) shows no sag, -1 none."""

    def __init__(self):
        self.side_idle = -1
        self._ms = 0
        self._rest_ms = 0
        self._round = 0  # rounds since the pull began
        self._reference_mv = array("i", [NOT_KNOWN_MV] * SIDES_MAX)
        self._past_mv = array("i", [NOT_KNOWN_MV] * (SIDES_MAX * _LOOK_ROUNDS))
        self._past_pm = array("i", [0] * (SIDES_MAX * _LOOK_ROUNDS))
        self._before_pm = array("i", [0] * SIDES_MAX)  # a round ago
        self._calm = array("i", [0] * SIDES_MAX)  # rounds since demand last fell
        self._at = 0
        self._measured = False
        self._weights = array("i", [0] * (SIDES_MAX * 11))  # of each side at each tenth of demand; the largest is _FULL
        self._sure_pm = _NEVER_PM  # demand from which on each side draws much, as the bench has measured
        self._sure = 0  # rounds since demand reached it
        self._pull = 0  # rounds since the pull began, to _SURE_ROUNDS

    def configure(self, values):
        sides = values.get("sides")
        self._sure_pm = 0
        for side in range(sides):
            current_da = values.get("side.current_da", side)
            from_pm = _NEVER_PM
            for tenth in range(10, -1, -1):
                if current_da[tenth] >= _SURE_DA:
                    from_pm = 100 * tenth
            if from_pm > self._sure_pm:
                self._sure_pm = from_pm
        self._weigh(values, sides)

    def _weigh(self, values, sides):
        def stated(name):
            found = [values.get(name, side) for side in range(sides)]
            return found if all(found) else [1] * sides

        currents_da = [values.get("side.current_da", side) for side in range(sides)]
        self._measured = all([current_da[10] for current_da in currents_da])
        cells = stated("side.cells")
        parts_mah = stated("side.capacity_mah") if self._measured else [1] * sides
        of_all = []
        for side in range(sides):
            for current_da in currents_da[side]:
                of_all.append(cells[side] * (current_da if self._measured else 1) / parts_mah[side])
        most = max(of_all)
        for i in range(11 * sides):
            self._weights[i] = int(_FULL * of_all[i] / most)

    @micropython.native
    def update(self, dt_ms, top_mv, sides, side_pm, lever_at_rest):
        """One step; `top_mv[side]`: the string's voltage or NOT_KNOWN_MV; `side_pm[side]`: what the side is given."""
        demand_pm = 0
        for side in range(sides):
            if side_pm[side] > demand_pm:
                demand_pm = side_pm[side]
        if self.side_idle >= 0 and lever_at_rest and demand_pm == 0:
            self.side_idle = -1
            self._rest_ms = 0
        if demand_pm == 0:
            if self._rest_ms < _REST_MS:
                self._rest_ms += dt_ms
        else:
            self._rest_ms = 0
        self._ms += dt_ms
        if self._ms < _EVERY_MS:
            return
        self._ms = 0
        calm = self._calm
        before_pm = self._before_pm
        for side in range(sides):
            if side_pm[side] < before_pm[side] - _FALL_PM:
                calm[side] = 0
            elif calm[side] < _CALM_ROUNDS:
                calm[side] += 1
            before_pm[side] = side_pm[side]
        if demand_pm == 0:
            if self._rest_ms >= _REST_MS:
                for side in range(sides):
                    self._reference_mv[side] = top_mv[side]
            self._round = self._pull = self._sure = 0
        elif demand_pm >= _FROM_PM:
            if self._pull < _SURE_ROUNDS:
                self._pull += 1
                self._sure = self._sure + 1 if demand_pm >= self._sure_pm else 0
                if self._sure == _PULL_ROUNDS:
                    self._judge_all(top_mv, sides, side_pm)
            if self._round <= _PULL_ROUNDS:
                self._round += 1
            if self._round == _PULL_ROUNDS:
                self._judge_pull(top_mv, sides, side_pm)
            elif self._round > _PULL_ROUNDS:
                self._judge_rise(top_mv, sides, side_pm)
        self._remember(top_mv, sides, side_pm)

    def _judge_pull(self, top_mv, sides, side_pm):
        """Sag since rest: a side with less than a quarter of what the strongest's lets expect does not pull."""
        most_mv = 0
        strongest = -1
        for side in range(sides):
            sag_mv = self._sag_mv(side, top_mv)
            if sag_mv != NOT_KNOWN_MV and sag_mv > most_mv:
                most_mv = sag_mv
                strongest = side
        if most_mv < _LEAST_MV:
            return
        weight = self._weight(strongest, side_pm[strongest])
        if weight == 0:
            return  # pulls where the bench has found next to nothing: it cannot be a measure
        for side in range(sides):
            apart_pm = side_pm[side] - side_pm[strongest]
            if not self._measured and (apart_pm > _SLACK_PM or apart_pm < -_SLACK_PM):
                continue
            sag_mv = self._sag_mv(side, top_mv)
            expected_mv = most_mv * self._weight(side, side_pm[side]) // weight
            if sag_mv != NOT_KNOWN_MV and expected_mv >= _LEAST_MV and sag_mv < expected_mv // 4:
                self.side_idle = side

    def _sag_mv(self, side, top_mv):
        """Since rest; NOT_KNOWN_MV when either is not known."""
        if top_mv[side] == NOT_KNOWN_MV or self._reference_mv[side] == NOT_KNOWN_MV:
            return NOT_KNOWN_MV
        return self._reference_mv[side] - top_mv[side]

    def _weight(self, side, pm):
        tenth = pm // 100
        low = self._weights[11 * side + tenth]
        high = self._weights[11 * side + (tenth + 1 if tenth < 10 else 10)]
        return low + (high - low) * (pm % 100) // 100

    def _judge_all(self, top_mv, sides, side_pm):
        """Many amperes, and no string sags: no side pulls."""
        which = -1
        for side in range(sides):
            sag_mv = self._sag_mv(side, top_mv)
            if sag_mv == NOT_KNOWN_MV:
                continue
            if sag_mv >= _NONE_MV:
                return
            if side_pm[side] >= self._sure_pm:
                which = side
        if which >= 0:
            self.side_idle = which

    def _judge_rise(self, top_mv, sides, side_pm):
        """A string that has risen within a second by most of a pull's sag while demand has not fallen."""
        for side in range(sides):
            at = SIDES_MAX * self._at + side
            if self._calm[side] < _CALM_ROUNDS or side_pm[side] < self._past_pm[at] - _SLACK_PM:
                continue
            past_mv = self._past_mv[at]
            reference_mv = self._reference_mv[side]
            now_mv = top_mv[side]
            if past_mv == NOT_KNOWN_MV or reference_mv == NOT_KNOWN_MV or now_mv == NOT_KNOWN_MV:
                continue
            # Since the reference the pack has lost charge too, so the sag of now is at most this.
            sag_mv = reference_mv - past_mv
            rise_mv = now_mv - past_mv
            if rise_mv >= _LEAST_MV and 3 * rise_mv > sag_mv:
                self.side_idle = side

    def _remember(self, top_mv, sides, side_pm):
        for side in range(sides):
            at = SIDES_MAX * self._at + side
            self._past_mv[at] = top_mv[side]
            self._past_pm[at] = side_pm[side]
        self._at = 0 if self._at + 1 == _LOOK_ROUNDS else self._at + 1
