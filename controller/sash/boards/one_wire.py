"""Temperature probes on one 1-Wire bus, found by their ROM codes.

A conversion takes up to 750 ms, so it is started in one step and read in a
later one: nothing here waits for it. Scratchpads go out raw; whether they can
be believed is decided in probes.py.
"""

from ..clock import ticks_diff, ticks_ms

# 12-bit conversion, 750 ms by the data sheet of the 12-bit 1-Wire thermometer, with room for slow copies.
CONVERT_MS = 800
RESTART_MS = 2_000  # chosen: start again when nothing came of it
_CONVERT, _READ, _SKIP_ROM = 0x44, 0xBE, 0xCC
_SIZE = 9


class Probes:
    """places: dict place -> ROM code in 16 hexadecimal digits; "" for the only probe of a bus.

    A code that is none leaves its place without readings: the frame still starts, and says so.
    """

    def __init__(self, bus, places):
        self._bus = bus
        self._roms = {}
        for place in places:
            try:
                self._roms[place] = rom_bytes(place, places[place]) if places[place] or len(places) > 1 else None
            except ValueError as error:
                print(error)
                self._roms[place] = b""
        self._order = sorted(self._roms)
        self._latest = {}
        for place in self._order:
            self._latest[place] = None
        self._started = -1  # ticks of the running conversion, -1 none
        self._next = 0  # place to be read next, by its number in _order
        self._start()

    def read(self, moving):
        """Return place -> latest scratchpad or None, and keep the conversions going.

        While the lid moves only one probe is asked a step, so that a step stays short.
        """
        if self._started >= 0 and ticks_diff(ticks_ms(), self._started) >= CONVERT_MS:
            self._collect(1 if moving else len(self._order))
        elif self._started < 0:
            self._start()
        return dict(self._latest)

    def _collect(self, count):
        while count and self._next < len(self._order):
            place = self._order[self._next]
            self._latest[place] = self._scratchpad(self._roms[place])
            self._next += 1
            count -= 1
        if self._next >= len(self._order):
            self._next = 0
            self._start()

    def _start(self):
        """Tell all probes to convert. With nobody on the bus all readings are lost."""
        try:
            present = self._bus.reset()
            if present:
                self._bus.writebyte(_SKIP_ROM)
                self._bus.writebyte(_CONVERT)
        except Exception:  # the bus driver raises its own kinds of error
            present = False
        if present:
            self._started = ticks_ms()
            return
        self._started = -1
        for place in self._order:
            self._latest[place] = None

    def _scratchpad(self, rom):
        """Return the nine bytes of one probe, None when nobody is on the bus.

        A probe that is missing among others leaves nine FF bytes: its CRC fails later.
        """
        if rom == b"":
            return None
        try:
            if not self._bus.reset():
                return None
            if rom is None:
                self._bus.writebyte(_SKIP_ROM)
            else:
                self._bus.select_rom(rom)
            self._bus.writebyte(_READ)
            data = bytearray(_SIZE)
            self._bus.readinto(data)
        except Exception:
            return None
        return None if data == b"\xff" * _SIZE else bytes(data)

    def found(self):
        """Return the ROM codes on the bus now, in hexadecimal digits. For the bench; takes some 15 ms a probe."""
        try:
            return sorted([bytes(rom).hex() for rom in self._bus.scan()])
        except Exception:
            return []


def rom_bytes(place, digits):
    """Return the eight bytes of a ROM code; ValueError with a sentence when it is none."""
    try:
        rom = bytes.fromhex(digits)
    except ValueError:
        rom = b""
    if len(rom) != 8:
        raise ValueError("probes: {} needs a ROM code of 16 hexadecimal digits".format(place))
    return bytearray(rom)  # the bus driver of some ports wants a bytearray
