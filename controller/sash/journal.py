"""Readings and events kept while nobody is there to take them.

Oldest first: what is on the flash, then a short tail in memory. While the link
is up, records pass through memory and are gone once acknowledged; when it goes
down (or the tail grows long) the tail is written out. A record leaves the
flash only after the broker acknowledged it, a whole file at a time, so a power
cut may hand some over twice (readers know them by boot and seq), never lose one.

Files `journal-00000001` and so on hold lines: 8 hex digits of CRC-32, a letter,
text, line feed. JSON texts of the same shape share one template line (T); each
record (R) then holds only its numbers: about 100 bytes for a pack with every
probe. A torn
or flipped line fails its CRC and is counted; its neighbours are unharmed.
Each file begins with a line H: how many records were lost so far.
"""

import binascii

from . import templates

# chosen: one flash block of 4096 bytes a file, and 140 files = 560 KB for more than three days
# of one full reading a minute and the events between.
SEGMENT_BYTES = 4000
SEGMENTS = 140
TAIL_RECORDS = 8
_PREFIX = "journal-"


def line(kind, text):
    """Return one line of a journal file; all bytes."""
    data = kind + text
    return b"%08x" % (binascii.crc32(data) & 0xFFFFFFFF) + data + b"\n"


def check(raw):
    """Return (kind, text) of a line without its line feed, or None when it is damaged."""
    try:
        if len(raw) < 9 or int(raw[:8], 16) != binascii.crc32(raw[8:]) & 0xFFFFFFFF:
            return None
        return raw[8:9], raw[9:]
    except ValueError:
        return None


class Segment:
    """Walks through the bytes of one file: `next()` -> (suffix, payload bytes) or None at the end.

    damaged   records that could not be read so far
    lost      what line H said, or 0
    """

    def __init__(self, raw):
        self._raw = raw or b""
        self._at = 0
        self._templates = {}
        self.damaged = 0
        self.lost = 0

    def next(self):
        """Return the next whole record."""
        while self._at < len(self._raw):
            end = self._raw.find(b"\n", self._at)
            if end < 0:
                end = len(self._raw)
            found = check(self._raw[self._at : end])
            self._at = end + 1
            record = self._take(found)
            if record:
                return record
        return None

    def _take(self, found):
        if found is None:
            self.damaged += 1
            return None
        kind, text = found
        number, _, rest = text.partition(b" ")
        if kind == b"T":
            suffix, _, shape = rest.partition(b" ")
            self._templates[number] = (suffix.decode(), shape)
        elif kind == b"H":
            self.lost = int(number)
        elif number in self._templates:
            suffix, shape = self._templates[number]
            return suffix, templates.join(shape, rest)
        else:  # its template line was damaged
            self.damaged += 1
        return None


class Journal:
    """Bounded store of (topic suffix, payload bytes), oldest first.

    waiting   records not handed over yet
    dropped   records lost because the store was full, or damaged, since it was last empty at a start
    errors    flash errors met
    """

    def __init__(self, storage, segments=SEGMENTS, segment_bytes=SEGMENT_BYTES, tail=TAIL_RECORDS):
        self._storage = storage
        self._max_segments = segments
        self._max_bytes = segment_bytes
        self._max_tail = tail
        self._tail = []  # records in memory, newest last
        self._files = []  # [number, records left in it], oldest first
        self._reader = None  # Segment of the oldest file
        self._current = None  # record shown by peek: (file number or None, record)
        self._open = None  # [number, bytes so far, {template: its number in the file}]
        self._last = 0
        self.dropped = 0
        self.errors = 0
        self._scan()

    @property
    def waiting(self):
        """Return how many records wait for hand-over."""
        return len(self._tail) + sum([entry[1] for entry in self._files])

    # -- start ---------------------------------------------------------------------------

    def _scan(self):
        """Count what an earlier run left. Unreadable files are counted as one loss each."""
        numbers = []
        for name in self._storage.names():
            if name.startswith(_PREFIX) and name[len(_PREFIX) :].isdigit():
                numbers.append(int(name[len(_PREFIX) :]))
        for number in sorted(numbers):
            self._last = number
            try:
                segment = Segment(self._storage.read(_name(number)))
            except OSError:
                self.errors += 1
                segment = Segment(b"?")
            count = 0
            while segment.next():
                count += 1
            self.dropped = max(self.dropped, segment.lost) + segment.damaged
            if count:
                self._files.append([number, count])
            else:
                self._remove(number)

    # -- putting in ----------------------------------------------------------------------

    def add(self, suffix, payload, link_up):
        """Take a record (payload: JSON bytes); to the flash at once unless `link_up`."""
        self._tail.append((suffix, payload))
        if not link_up or len(self._tail) > self._max_tail:
            self.spill()

    def spill(self):
        """Write the tail to the flash, oldest first. What cannot be written stays, bounded and counted."""
        while self._tail:
            if not self._write(self._tail[0]):
                break
            record = self._tail.pop(0)
            if self._current == (None, record):  # under way: now the flash's oldest
                self._current = None
        while len(self._tail) > self._max_tail:
            self._tail.pop(0)
            self._current = None
            self.dropped += 1

    def _write(self, record):
        """Append one record; 1 done, 0 the flash refuses."""
        suffix, payload = record
        shape, numbers = templates.split(payload)
        for _ in (1, 2):
            data = self._lines(suffix, shape, numbers)
            number = self._open[0]
            try:
                self._storage.append(_name(number), data)
            except OSError:
                self.errors += 1
                self._open = None  # its last line may be half written: nothing may follow it
                if not self._drop_oldest():
                    return 0
                continue
            self._open[1] += len(data)
            if not self._files or self._files[-1][0] != number:
                self._files.append([number, 0])
            self._files[-1][1] += 1
            return 1
        return 0

    def _lines(self, suffix, shape, numbers):
        """Return the bytes to append for a record, opening the next file when this one is full."""
        # Shapes are long; their checksum stands for them in memory.
        key = (suffix, len(shape), binascii.crc32(shape))
        if self._open is not None and self._open[1] + len(numbers) + len(shape) + 64 > self._max_bytes:
            if self._open[1] + len(numbers) + 24 > self._max_bytes or key not in self._open[2]:
                self._open = None
        data = b""
        if self._open is None:
            while len(self._files) >= self._max_segments:
                self._drop_oldest()
            self._last += 1
            self._open = [self._last, 0, {}]
            data = line(b"H", b"%d" % self.dropped)
        known = self._open[2]
        if key not in known:
            known[key] = len(known)
            data += line(b"T", b"%d %s " % (known[key], suffix.encode()) + shape)
        return data + line(b"R", b"%d " % known[key] + numbers)

    def _drop_oldest(self):
        """Give up the oldest file; 1 when there was one."""
        if not self._files:
            return 0
        number, count = self._files.pop(0)
        self.dropped += count
        if self._open is not None and self._open[0] == number:
            self._open = None
        self._reader = None
        if self._current is not None and self._current[0] == number:
            self._current = None
        self._remove(number)
        return 1

    def _remove(self, number):
        try:
            self._storage.remove(_name(number))
        except OSError:
            self.errors += 1

    # -- handing over --------------------------------------------------------------------

    def peek(self):
        """Return the oldest record (suffix, payload), or None. The same one until `done`."""
        if self._current is None:
            self._current = self._from_flash()
        if self._current is None and self._tail:
            self._current = (None, self._tail[0])
        return self._current[1] if self._current else None

    def _from_flash(self):
        while self._files:
            number = self._files[0][0]
            if self._reader is None:
                if self._open is not None and self._open[0] == number:
                    self._open = None  # no more goes into a file that is being read
                try:
                    self._reader = Segment(self._storage.read(_name(number)))
                except OSError:
                    self.errors += 1
                    self._drop_oldest()
                    continue
            record = self._reader.next()
            if record:
                return (number, record)
            self.dropped += self._files[0][1]  # counted at first, unreadable now
            self._finish()
        return None

    def _finish(self):
        """Leave the oldest file behind."""
        self._remove(self._files.pop(0)[0])
        self._reader = None

    def done(self, record):
        """Remove `record`, as returned by `peek`, once the broker has acknowledged it."""
        if self.peek() != record:
            return  # dropped meanwhile
        number = self._current[0]
        self._current = None
        if number is None:
            self._tail.pop(0)
            return
        self._files[0][1] -= 1
        if self._files[0][1] == 0:
            self._finish()


def _name(number):
    return "{}{:08d}".format(_PREFIX, number)
