"""A make-believe 1-Wire bus with probes that need 750 ms to convert."""

devices = {}  # ROM in hexadecimal digits -> scratchpad after a conversion
state = {"stuck_low": 0, "now_ms": None, "conversations": 0, "raises": 0}
POWER_ON = bytes.fromhex("50054b467fff0c101c")  # 85 degC. Source: data sheet of the 12-bit 1-Wire thermometer.


class OneWireError(Exception):
    """As the real driver's."""


class OneWire:
    """Bus on one pin."""

    def __init__(self, pin):
        self.pin = pin.number
        self._rom = None
        self._command = 0
        self._converted_ms = None

    def reset(self, required=False):
        """Return whether anybody answers."""
        if state["raises"]:
            raise OneWireError()
        self._rom = None
        return bool(devices) and not state["stuck_low"]

    def writebyte(self, byte):
        """Take a command byte."""
        if byte == 0x44:
            self._converted_ms = state["now_ms"]() + 750
        if byte == 0xCC and len(devices) == 1:
            self._rom = next(iter(devices))
        self._command = byte

    def select_rom(self, rom):
        """Address one probe."""
        if not isinstance(rom, bytearray):
            raise TypeError("a ROM code has to be a bytearray")
        state["conversations"] += 1
        self._rom = bytes(rom).hex()

    def readinto(self, buffer):
        """Give the scratchpad of the addressed probe; nobody there leaves all bits high."""
        data = devices.get(self._rom, b"\xff" * 9)
        if self._rom in devices and (self._converted_ms is None or state["now_ms"]() < self._converted_ms):
            data = POWER_ON
        buffer[:] = data

    def scan(self):
        """Return the ROM codes on the bus."""
        return [bytearray(bytes.fromhex(rom)) for rom in devices]
