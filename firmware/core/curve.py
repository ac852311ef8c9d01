"""Demand to pulse width, by the side's own table of eleven points, straight between them."""

import micropython


class Curve:
    def __init__(self):
        self._us = [1000] * 12

    def configure(self, idle_us, full_us, curve_pm):
        """`curve_pm`: share of the pulse span at each tenth of demand, 0..1000, rising from 0."""
        for i in range(11):
            self._us[i] = idle_us + (full_us - idle_us) * curve_pm[i] // 1000
        self._us[11] = self._us[10]

    @micropython.native
    def pulse_us(self, demand_pm):
        """Pulse width in microseconds for a demand of 0..1000 per mille."""
        us = self._us
        i = demand_pm // 100
        low_us = us[i]
        return low_us + (us[i + 1] - low_us) * (demand_pm - 100 * i) // 100
