"""Self-checks of the core: values kept twice, faults kept once.

`Guarded` holds whole numbers as value and complement; memory that has been
disturbed shows before it is used. `Faults` is the register of what is wrong,
each with its word and a detail, and hands out what has changed.
"""

FAULT_WORDS = (
    "stuck-shut", "stuck-open", "stuck-part", "lost-position", "switches-both", "over-current", "motor-dead",
    "moved-alone", "probe-air", "probe-air2", "probe-soil", "probe-outside", "open-in-frost", "hot-though-open",
    "battery-low", "battery-empty", "hold-long", "settings-lost", "clock-lost", "clock-wrong", "wind-shut", "no-drop",
    "self-check",
)


class Guarded:
    """Whole numbers, each stored with its complement."""

    def __init__(self, values):
        self._values = list(values)
        self._mirror = [~value for value in self._values]

    def put(self, place, value):
        """Store one number and its complement."""
        self._values[place] = value
        self._mirror[place] = ~value

    def put_all(self, values):
        """Store them all; the count may change."""
        self._values = list(values)
        self._mirror = [~value for value in self._values]

    def sound(self):
        """1 while every number agrees with its complement."""
        if len(self._values) != len(self._mirror):
            return 0
        for place in range(len(self._values)):
            if self._values[place] != ~self._mirror[place]:
                return 0
        return 1

    @property
    def values(self):
        """The list itself, for reading only; ask `sound` first."""
        return self._values


class Faults:
    """What is wrong now.

    `set(word, is_on, detail)` is called each step with the present truth; `take`
    returns and forgets the changes since the last call as (word, is_on, detail).
    """

    def __init__(self):
        self._on = {}
        self._changes = []

    def __repr__(self):
        return "<Faults %s>" % (", ".join(self.words()) or "none")

    def set(self, word, is_on, detail=""):
        """Raise or clear a fault; the same truth again changes nothing."""
        if word not in FAULT_WORDS:
            raise ValueError(word)
        if bool(is_on) == (word in self._on):
            return
        if is_on:
            self._on[word] = detail
        else:
            del self._on[word]
        self._changes.append((word, 1 if is_on else 0, detail))

    def has(self, word):
        """1 while the fault holds."""
        return 1 if word in self._on else 0

    def words(self):
        """The faults that hold, in the order of FAULT_WORDS."""
        return [word for word in FAULT_WORDS if word in self._on]

    def take(self):
        """Return the changes since the last call."""
        changes = self._changes
        if changes:
            self._changes = []
        return changes


class Delay:
    """True only after it has been true for a while: keeps one gust or one sample from being a fault."""

    def __init__(self, on_s, off_s=0):
        self.on_s = on_s
        self.off_s = off_s
        self.is_on = 0
        self._s = 0

    def follow(self, truth, dt_s):
        """Take the present truth, return the delayed one (0 or 1)."""
        if bool(truth) == bool(self.is_on):
            self._s = 0
            return self.is_on
        self._s += dt_s
        if self._s >= (self.off_s if self.is_on else self.on_s):
            self.is_on = 1 - self.is_on
            self._s = 0
        return self.is_on
