"""The third witness: does the temperature answer when the lid opens?

End switches and motor current can both say "open" while a latch holds the lid
or the arm is off its bracket. Then the air under it does not cool. An opening
is judged when it adds at least three tenths of the travel and at least doubles
what was open: smaller steps can be drowned by a sun that comes out.
"""

NO_MDEGC = -999999
NO_SUN = -99999
NONE = -1

# All chosen by us, from the air change of a small frame (seconds) and a probe lag of one to two minutes.
LEAST_OPENING = 300         # permille added
JUDGED_AFTER_S = 480
DROP_MDEGC = 1000           # fall that proves the opening
OVER_OUTSIDE_MDEGC = 5000   # with less difference to outdoors there is little to fall


class TemperatureAnswer:
    """`missing` is 1 once an opening has brought no drop; a drop or a shut lid clears it."""

    def __init__(self):
        self.missing = 0
        self._since_s = NONE        # NONE: nothing to judge
        self._before_mdegc = NO_MDEGC

    def __repr__(self):
        return "<TemperatureAnswer missing %d since %d s>" % (self.missing, self._since_s)

    def opened(self, from_permille, to_permille, air_mdegc):
        """The switches and the motor say that the lid has opened; `air_mdegc` is from before."""
        if air_mdegc == NO_MDEGC or to_permille - max(0, from_permille) < LEAST_OPENING:
            return
        if to_permille < 2 * from_permille:
            return
        self._since_s = 0
        self._before_mdegc = air_mdegc

    def shut(self):
        """The lid is closing: nothing can be judged any more."""
        self._since_s = NONE
        self.missing = 0

    def follow(self, dt_s, air_mdegc, outside_mdegc, sun_cdeg):
        """Take the present air; returns `missing`."""
        if self._since_s == NONE or air_mdegc == NO_MDEGC:
            return self.missing
        self._since_s += dt_s
        if air_mdegc <= self._before_mdegc - DROP_MDEGC:
            self.shut()
        elif self._since_s >= JUDGED_AFTER_S and self._must_have_fallen(air_mdegc, outside_mdegc, sun_cdeg):
            self.missing = 1
        return self.missing

    def _must_have_fallen(self, air_mdegc, outside_mdegc, sun_cdeg):
        # Without sun nothing heats, and a slow fall proves nothing. An unknown sun is taken as up.
        if sun_cdeg <= 0 and sun_cdeg != NO_SUN:
            return 0
        return 1 if outside_mdegc == NO_MDEGC or air_mdegc > outside_mdegc + OVER_OUTSIDE_MDEGC else 0
