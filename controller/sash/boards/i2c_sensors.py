"""Light and humidity on one I2C bus; each is asked in one step and read in the next.

Both are optional: one that does not answer gives -1 and is tried again later.
Command bytes are those of the common 16-bit lux sensor at 0x23 and the common
humidity sensor at 0x44; from memory of their data sheets.
"""

_LIGHT, _HUMIDITY = 0x23, 0x44
_LIGHT_CONTINUOUS = b"\x10"  # high resolution, again and again
_HUMIDITY_ONCE = b"\x24\x00"  # high repeatability, no clock stretching


def crc8(data):
    """Return the checksum of the humidity sensor: polynomial 31, start FF. BE EF gives 92 (its data sheet)."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x31) & 0xFF if crc & 0x80 else crc << 1
    return crc


class I2cSensors:
    """read() -> (light_lx, humidity_permille)."""

    def __init__(self, i2c):
        self._i2c = i2c
        self._light_on = self._asked = 0

    def read(self):
        """Return what the last step asked for, and ask anew."""
        return self._light(), self._humidity()

    def _light(self):
        try:
            if not self._light_on:
                self._i2c.writeto(_LIGHT, _LIGHT_CONTINUOUS)
                self._light_on = 1
                return -1
            data = self._i2c.readfrom(_LIGHT, 2)
            return (data[0] << 8 | data[1]) * 5 // 6
        except OSError:
            self._light_on = 0
            return -1

    def _humidity(self):
        value = -1
        try:
            if self._asked:
                data = self._i2c.readfrom(_HUMIDITY, 6)
                if crc8(data[3:5]) == data[5]:
                    value = (data[3] << 8 | data[4]) * 1000 // 65_535
            self._i2c.writeto(_HUMIDITY, _HUMIDITY_ONCE)
            self._asked = 1
        except OSError:
            self._asked = 0
        return value
