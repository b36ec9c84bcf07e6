"""From nine bytes on a 1-Wire bus to a temperature that may be trusted, or none.

Temperatures are whole thousandths of a degree (_mdegc); NO_MDEGC means: do not
use. A reading has to pass, in this order: an answer at all, not all zero, CRC-8,
range, not the power-on value, not faster than air can change, not frozen. Three
bad samples in a row, or 60 s of them, take the probe out; three good ones in a
row bring it back.
"""

NO_MDEGC = -999999
PLACES = ("air", "air2", "soil", "outside")

# The way a sample can be bad; the words travel in the `detail` of the fault.
GOOD, SILENT, ZEROS, CRC, RANGE, POWER_ON, JUMP, FROZEN = range(8)
WHY = ("", "no answer", "all zero", "checksum", "out of range", "power-on value 85.0", "jumps", "frozen")

LOWEST_MDEGC = -55000           # Source: data sheet of the 12-bit 1-Wire thermometer, working range;
HIGHEST_MDEGC = 85000           # above 85 a bed is past help and the reading most likely false (chosen)
POWER_ON_RAW = 0x0550           # Source: same data sheet: register holds 85.0 until the first conversion
POWER_ON_NEAR_MDEGC = 10000     # 85.0 is believed only within this of the last good value (chosen)
JUMP_MDEGC_PER_S = 1000         # 10 K in 10 s (chosen: bare air can, a probe of 60 s lag cannot)
JUMP_LEAST_MDEGC = 2000
JUMP_MOST_MDEGC = 30000
AGREE_MDEGC = 2000              # a jump is believed when three samples in a row agree this closely
CONFIRM = 3
OUT_AFTER = 3
OUT_AFTER_S = 60
FROZEN_S = 3 * 3600
FROZEN_SOON_S = 3600            # ... when another probe has moved far meanwhile
SOIL_FROZEN_S = 12 * 3600       # soil may truly stand still for hours ...
SOIL_STILL_MDEGC = 500          # ... and for days while its water freezes or thaws
OTHERS_MOVED_MDEGC = 1000
OTHERS_MOVED_FAR_MDEGC = 2000
APART_MDEGC = 5000
TOGETHER_MDEGC = 3000
APART_S = 600


def _crc_table():
    table = []
    for byte in range(256):
        for _ in range(8):
            byte = (byte >> 1) ^ 0x8C if byte & 1 else byte >> 1
        table.append(byte)
    return bytes(table)


_TABLE = _crc_table()


def crc8(data):
    """CRC of the 1-Wire bus: polynomial 8C reflected, start 0 (Application note 27)."""
    crc = 0
    for byte in data:
        crc = _TABLE[crc ^ byte]
    return crc


def raw_mdegc(raw):
    """Sixteenths of a degree to thousandths; exact to half a thousandth, rounded down."""
    return raw * 125 // 2


def scratchpad_raw(pad):
    """Signed 16-bit temperature register of a scratchpad."""
    raw = pad[0] | pad[1] << 8
    return raw - 65536 if raw & 0x8000 else raw


def form_of(pad):
    """GOOD, SILENT, ZEROS or CRC: whether these bytes can hold a reading at all."""
    if pad is None or len(pad) != 9:
        return SILENT
    # A bus held low reads nine zeros, and their CRC is zero too.
    if not any(pad):
        return ZEROS
    return GOOD if crc8(pad) == 0 else CRC


class Probe:
    """One probe: `mdegc` is the trusted value or NO_MDEGC, `why` the last way it was bad."""

    def __init__(self, place):
        self.place = place
        self.mdegc = NO_MDEGC
        self.why = GOOD
        self.out = 0                # 1 while the probe is out of use
        self.ever = 0               # 1 once any sample was good
        self._good_mdegc = NO_MDEGC  # last accepted value, kept while samples are bad
        self._since_good_s = 0
        self._bad = 0
        self._well = 0
        self._raw = None
        self._still_s = 0
        self._jump_mdegc = NO_MDEGC
        self._jumps = 0

    def __repr__(self):
        return "<Probe %s %d mdegc%s>" % (self.place, self.mdegc, " out: " + WHY[self.why] if self.out else "")

    def sample(self, pad, dt_s, others_moved):
        """Take one sample; `others_moved` is 1 when another probe moved while this one stood still, 2 far."""
        self._since_good_s += dt_s
        why = form_of(pad)
        mdegc = NO_MDEGC
        if why == GOOD:
            raw = scratchpad_raw(pad)
            mdegc = raw_mdegc(raw)
            why = self._judge(raw, mdegc, dt_s, others_moved)
        if why == GOOD:
            self._accept(mdegc)
        else:
            self._refuse(why)

    @property
    def still_s(self):
        """How long the raw value has not changed by a single bit."""
        return self._still_s

    def _judge(self, raw, mdegc, dt_s, others_moved):
        if raw == self._raw:
            self._still_s += dt_s
        else:
            self._still_s = 0
        self._raw = raw
        if mdegc < LOWEST_MDEGC or mdegc > HIGHEST_MDEGC:
            return RANGE
        if raw == POWER_ON_RAW and not self._near(mdegc, POWER_ON_NEAR_MDEGC):
            return POWER_ON
        if others_moved and self._too_still(mdegc, others_moved):
            return FROZEN
        return self._judge_jump(mdegc)

    def _near(self, mdegc, within):
        return self._good_mdegc != NO_MDEGC and abs(mdegc - self._good_mdegc) <= within

    def _too_still(self, mdegc, others_moved):
        if self.place == "soil":
            return self._still_s > SOIL_FROZEN_S and abs(mdegc) > SOIL_STILL_MDEGC
        return self._still_s > (FROZEN_SOON_S if others_moved == 2 else FROZEN_S)

    def _judge_jump(self, mdegc):
        """A jump is refused until three samples in a row agree on the new value."""
        allowed = JUMP_MDEGC_PER_S * min(self._since_good_s, JUMP_MOST_MDEGC // JUMP_MDEGC_PER_S)
        if self._good_mdegc == NO_MDEGC or self._near(mdegc, max(allowed, JUMP_LEAST_MDEGC)):
            self._jumps = 0
            return GOOD
        if self._jumps and abs(mdegc - self._jump_mdegc) <= AGREE_MDEGC:
            self._jumps += 1
        else:
            self._jumps = 1
        self._jump_mdegc = mdegc
        if self._jumps < CONFIRM:
            return JUMP
        self._jumps = 0
        return GOOD

    def _accept(self, mdegc):
        self.ever = 1
        self._good_mdegc = mdegc
        self._since_good_s = 0
        self._bad = 0
        if self.out:
            self._well += 1
            if self._well < CONFIRM:
                return
            self.out = 0
            self.why = GOOD
        self.mdegc = mdegc

    def _refuse(self, why):
        self._bad += 1
        self._well = 0
        self.why = why
        if self._bad >= OUT_AFTER or self._since_good_s >= OUT_AFTER_S:
            self.out = 1
            self.mdegc = NO_MDEGC


class Probes:
    """All probes of a frame, and what they say about each other.

    `air_mdegc` is what the law shall use: the air probe; the second one when the
    first is out; and when the two differ by more than 5 K for ten minutes the
    more dangerous of them: by day the warmer, by night the colder.
    """

    def __init__(self, places):
        self.fitted = tuple([place for place in PLACES if place in places])
        self.by_place = {}
        for place in self.fitted:
            self.by_place[place] = Probe(place)
        self.apart = 0              # 1 while air and air2 contradict each other
        self._apart_s = 0
        self._seen = {}             # (place, other) -> other's value when place last changed

    def value(self, place):
        """Trusted value of a place in mdegc, NO_MDEGC when out or not fitted."""
        probe = self.by_place.get(place)
        return NO_MDEGC if probe is None else probe.mdegc

    def sample(self, pads, dt_s):
        """Take one sample of each fitted probe; `pads` is place -> nine bytes or None."""
        for place in self.fitted:
            probe = self.by_place[place]
            moved = self._others_moved(place) if probe.still_s else 0
            probe.sample(pads.get(place), dt_s, moved)
        for place in self.fitted:
            if not self.by_place[place].still_s:
                self._note_others(place)
        self._compare(dt_s)

    def air_mdegc(self, by_day):
        """The air temperature for the law; `by_day` 1 by day, 0 by night."""
        air = self.value("air")
        air2 = self.value("air2")
        if air == NO_MDEGC:
            return air2
        if air2 == NO_MDEGC or not self.apart:
            return air
        return max(air, air2) if by_day else min(air, air2)

    def _note_others(self, place):
        for other in self.fitted:
            if other != place:
                self._seen[(place, other)] = self.by_place[other].mdegc

    def _others_moved(self, place):
        moved = 0
        for other in self.fitted:
            if other == place:
                continue
            was = self._seen.get((place, other), NO_MDEGC)
            now = self.by_place[other].mdegc
            if was == NO_MDEGC or now == NO_MDEGC:
                continue
            if abs(now - was) >= OTHERS_MOVED_FAR_MDEGC:
                return 2
            if abs(now - was) >= OTHERS_MOVED_MDEGC:
                moved = 1
        return moved

    def _compare(self, dt_s):
        """Ten minutes apart count as a contradiction, ten minutes together end it."""
        air = self.value("air")
        air2 = self.value("air2")
        if air == NO_MDEGC or air2 == NO_MDEGC:
            self.apart = 0
            self._apart_s = 0
            return
        limit = TOGETHER_MDEGC if self.apart else APART_MDEGC
        differs = 1 if abs(air - air2) > limit else 0
        if differs == self.apart:
            self._apart_s = 0
            return
        self._apart_s += dt_s
        if self._apart_s >= APART_S:
            self.apart = differs
            self._apart_s = 0
