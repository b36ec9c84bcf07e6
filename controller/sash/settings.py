"""What the grower can set, and how far it can be set.

Whole numbers only; units are in the names. The limits here are hard: no message
can pass them. `check` names every fault at once, in sentences a grower can act on.
"""

from sash import lid_law

# name, default, lowest, highest, what it is. All defaults are chosen by us; crop
# values that replace them come from the host with their own sources.
FIELDS = (
    ("open_mdegc", 15000, 5000, 35000, "air temperature at which the lid opens a crack"),
    ("close_mdegc", 10000, 1000, 32000, "air temperature at which the lid is shut again"),
    ("stage_mdegc", 2000, 1000, 6000, "warmth between one stage and the next"),
    ("scorch_mdegc", 32000, 25000, 40000, "air temperature at which the lid opens fully whatever else holds"),
    ("frost_mdegc", 1000, -5000, 6000, "air temperature below which the lid must be shut"),
    ("min_outside_mdegc", 0, -8000, 10000, "outdoor temperature below which only a crack is allowed"),
    ("crack_permille", 50, 40, 300, "opening of the first stage"),
    ("stage_permille", 100, 50, 1000, "opening added by each further stage"),
    ("dwell_s", 600, 60, 3600, "shortest time between two ordinary moves"),
    ("strokes_per_day", 24, 6, 200, "full strokes of travel allowed in a day"),
    ("wind_part_mms", 8000, 3000, 15000, "gust above which the lid stands part open at most"),
    ("wind_shut_mms", 12000, 5000, 25000, "gust above which the lid is shut"),
    ("evening_sun_cdeg", 800, 0, 2500, "sun height after noon below which the lid shuts for the night"),
    ("blind_permille", 100, 0, 300, "opening kept by day when the air probe is lost"),
    ("battery_low_mv", 11800, 9000, 26000, "supply below which the lid opens no further"),
    ("battery_empty_mv", 11400, 8500, 25500, "supply below which the lid does not move"),
    ("warn_s", 5, 0, 30, "warning sound before the lid shuts by itself"),
    ("report_s", 60, 10, 900, "time between two readings sent"),
    ("lat_mdeg", 0, -66000, 66000, "latitude, north positive"),
    ("lon_mdeg", 0, -180000, 180000, "longitude, east positive"),
)
NAMES = tuple(field[0] for field in FIELDS)

# lower one, higher one, how far apart at least
GAPS = (
    ("close_mdegc", "open_mdegc", 2000),
    ("open_mdegc", "scorch_mdegc", 3000),
    ("frost_mdegc", "close_mdegc", 0),
    ("wind_part_mms", "wind_shut_mms", 1000),
    ("battery_empty_mv", "battery_low_mv", 200),
)


def field(name):
    """Return (name, default, lowest, highest, sentence), or None."""
    for entry in FIELDS:
        if entry[0] == name:
            return entry
    return None


def defaults():
    """Return a new dict of all settings at their defaults."""
    values = {}
    for name, default, _, _, _ in FIELDS:
        values[name] = default
    return values


def _is_whole(value):
    # True is an int in Python; a message that says `true` does not mean 1.
    return isinstance(value, int) and not isinstance(value, bool)


def check_values(values):
    """Return (name, sentence) for each unknown name, wrong kind or value out of its limits."""
    faults = []
    for name in sorted(str(key) for key in values):
        entry = field(name)
        if entry is None:
            faults.append((name, "no setting has this name"))
            continue
        value = values.get(name)
        if not _is_whole(value):
            faults.append((name, "must be a whole number"))
        elif not entry[2] <= value <= entry[3]:
            faults.append((name, "%d is not between %d and %d" % (value, entry[2], entry[3])))
    return faults


def check(values):
    """Return (name, sentence) for every fault of a full set; an empty list means it can be used."""
    faults = check_values(values)
    wrong = [fault[0] for fault in faults]
    for name in NAMES:
        if name not in values:
            faults.append((name, "is missing"))
            wrong.append(name)
    for lower, higher, gap in GAPS:
        if lower in wrong or higher in wrong:
            continue
        if values[lower] > values[higher] - gap:
            faults.append((lower, "%d must be at least %d below %s, which is %d"
                           % (values[lower], gap, higher, values[higher])))
    return faults


def merge(current, changes):
    """Return a new dict: `current` with `changes` laid over it; nothing is checked here."""
    values = dict(current)
    values.update(changes)
    return values


def law_values(values):
    """Return the flat tuple the law wants, in the order of lid_law.SETTINGS."""
    return tuple([values[name] for name in lid_law.SETTINGS])


def sentence(faults):
    """Join the faults into one line for the wire."""
    return "; ".join(["%s: %s" % fault for fault in faults])
