"""Turns what the core knows into the fault words of its report.

Temperatures against setpoints are judged by lid_law; here are the delays, so
that one gust or one late sample is no fault, and which fact goes with which word.
"""

from . import lid_law as law
from . import lid_table
from .probes import WHY
from .safety import Delay

# All chosen by us.
FROST_DELAY_S = 120         # time to shut, warning sound included
HOT_DELAY_S = 1200
HOLD_LONG_S = 1800          # a forgotten hold reminds after this
CLOCK_LOST_S = 600


class FaultFinder:
    """Sets the faults of a core once a step.

    hot_and_shut  1 while it scorches and the lid is not wide open: one of the two
                  worst alarms, with open-in-frost
    """

    def __init__(self):
        self._frost_open = Delay(FROST_DELAY_S)
        self._hot_open = Delay(HOT_DELAY_S, 60)
        self._hot_shut = Delay(FROST_DELAY_S, 60)
        self._hold_s = 0
        self._no_clock_s = 0

    @property
    def hot_and_shut(self):
        """See the class."""
        return self._hot_shut.is_on

    def step(self, core, dt_s, inputs):
        """Bring core.faults up to date."""
        self._lid(core)
        self._probes(core)
        self._frame(core, dt_s)
        self._supply(core, inputs)
        faults = core.faults
        self._hold_s = self._hold_s + dt_s if core.mode == "hold" else 0
        self._no_clock_s = self._no_clock_s + dt_s if core.unix_s == law.NONE else 0
        faults.set("hold-long", self._hold_s >= HOLD_LONG_S)
        faults.set("clock-lost", self._no_clock_s >= CLOCK_LOST_S)
        faults.set("clock-wrong", core.rates.wrong, "timer and clock disagree")

    def _lid(self, core):
        motion = core.motion
        for number in range(1, len(lid_table.FAULTS)):
            is_on = number == motion.fault or number == motion.doubt
            core.faults.set(lid_table.FAULTS[number], is_on, "peak %d mA" % motion.current.peak_ma if is_on else "")
        core.faults.set("no-drop", core.drop.missing, "opened, and the air did not cool")

    def _probes(self, core):
        for place in core.probes.fitted:
            probe = core.probes.by_place[place]
            if place == "air" and core.probes.apart and not probe.out:
                core.faults.set("probe-air", 1, "air and air2 differ")
            else:
                core.faults.set("probe-" + place, probe.out, WHY[probe.why])

    def _frame(self, core, dt_s):
        air, position, values = core.air_mdegc, core.position_permille, core.law_settings
        is_open = self._frost_open.follow(law.open_in_frost(air, position, values), dt_s)
        core.faults.set("open-in-frost", is_open)
        is_hot = self._hot_open.follow(law.hot_though_open(air, position, values), dt_s)
        core.faults.set("hot-though-open", is_hot)
        self._hot_shut.follow(law.hot_though_shut(air, position, values), dt_s)

    def _supply(self, core, inputs):
        level = core.law_state[law.BATTERY_LEVEL]
        core.faults.set("battery-low", level == 1, "%d mV" % inputs.battery_mv)
        core.faults.set("battery-empty", level == 2, "%d mV" % inputs.battery_mv)
        windy = core.law_state[law.WIND_LEVEL] == 2 and core.reason in ("wind-shut", "scorch-wind")
        core.faults.set("wind-shut", windy, "%d mm/s" % inputs.wind_mms)
