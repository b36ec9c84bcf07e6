"""Runs on the real MicroPython interpreter: on_board.py CONTROLLER_FOLDER, an envelope on standard input.

Prints one line a check, `ok name`.

Storage checks run on a real littlefs over a block device in memory whose supply
fails in a given write or erase, leaving that block half done.
"""

import gc
import sys

sys.path.insert(0, sys.argv[1])

import vfs

from sash import clock, dating, journal, mqtt_core, names, signing, slots, storage, templates

BLOCK = 4096


class Flash:
    """Block device that remembers what was on it when the supply failed, in the middle of step `cut_at`.

    The work itself runs on, so that no half-open file is left to the interpreter.
    """

    def __init__(self, blocks, data=None, cut_at=-1):
        self.data = data or bytearray(b"\xff" * (BLOCK * blocks))
        self.blocks = blocks
        self.cut_at = cut_at
        self.left = None  # what the cut left
        self.steps = 0  # writes and erases so far

    def _step(self, at, new):
        if self.steps == self.cut_at:
            self.left = bytearray(self.data)
            half = len(new) // 2
            self.left[at : at + half] = new[:half]
        self.steps += 1
        self.data[at : at + len(new)] = new

    def readblocks(self, block, buffer, offset=0):
        at = block * BLOCK + offset
        buffer[:] = self.data[at : at + len(buffer)]

    def writeblocks(self, block, buffer, offset=0):
        self._step(block * BLOCK + offset, buffer)

    def ioctl(self, op, arg):
        if op == 4:
            return self.blocks
        if op == 5:
            return BLOCK
        if op == 6:
            self._step(arg * BLOCK, b"\xff" * BLOCK)
        return 0


def formatted(blocks):
    """A fresh file system's bytes."""
    flash = Flash(blocks)
    vfs.VfsLfs2.mkfs(flash)
    return flash.data


def with_power_cut(before, cut_at, work):
    """Run `work(storage, reported)` on a copy of the bytes; `reported` is called when something counts as stored.

    Returns (bytes left by the cut or None when it came too late, what was reported before it, bytes at the end).
    """
    flash = Flash(len(before) // BLOCK, bytearray(before))
    vfs.mount(vfs.VfsLfs2(flash), "/f")
    flash.steps, flash.cut_at = 0, cut_at
    early = []

    def reported(what):
        if flash.left is None:
            early.append(what)

    work(storage.FileStorage("/f"), reported)
    vfs.umount("/f")
    return flash.left, early, flash.data


def looked_at(data, look):
    """Mount the bytes as after a restart and return what `look(storage)` says."""
    vfs.mount(vfs.VfsLfs2(Flash(len(data) // BLOCK, data)), "/f")
    try:
        return look(storage.FileStorage("/f"))
    finally:
        vfs.umount("/f")


def refusal(key, topic, payload):
    """The word with which an envelope is refused, None when it opens."""
    try:
        signing.open_envelope(key, topic, payload)
    except ValueError as error:
        return str(error)
    return None


def check_signing():
    # Source: RFC 4231, test case 2.
    assert signing.hmac_sha256(b"Jefe", b"what do ya want for nothing?").hex() == (
        "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    )
    key, topic = bytes(range(32)), "frames/north/orders"
    body = {"n": 13, "order": "open"}
    sealed = signing.seal(key, topic, body)
    assert signing.open_envelope(key, topic, sealed) == body
    # Made by CPython's hmac and json; both sides must agree byte for byte.
    foreign = (
        b'{"v": 1, "body": "{\\"n\\": 1}", "mac": "'
        b'88d5ff0aab5e73b2a6fde42a85aa2ae6e1deb0d4e4c6a2ab5a35a6ad09ff7a4e"}'
    )
    for payload, word in (
        (b"", "json"), (b"\xff", "json"), (b"{", "json"), (b"[" * 2000, "json"), (b"[]", "form"), (b"null", "form"),
        (b" " * 2049, "size"), (foreign, "mac"), (sealed.replace(b"13", b"14"), "mac"), (sealed + b" x", "json"),
        (b'{"v":true,"body":"{}","mac":"x"}', "form"), (b'{"v":1.0,"body":"{}","mac":"x"}', "form"),
    ):  # fmt: skip
        assert refusal(key, topic, payload) == word, payload


def check_foreign_envelope():
    """An envelope that the test made with CPython's library must open."""
    payload = sys.stdin.readline().strip().encode()
    assert signing.open_envelope(bytes(range(32)), "frames/north/orders", payload) == {"n": 7, "text": "\u00e9"}


def check_clock():
    assert clock.ticks_diff(5, (1 << 30) - 5) == 10
    assert clock.ticks_diff((1 << 30) - 5, 5) == -10
    assert 0 <= clock.ticks_ms() < 1 << 30
    kept = clock.Clock((1 << 30) - 1000)
    assert kept.tick(1000) == 2000
    kept.set_unix_s(1767225600)
    assert kept.unix_s() == 1767225600


def check_mqtt():
    core = mqtt_core.MqttCore("f1", clean=1)
    assert core.connect(0) == bytes.fromhex("100E00044D5154540402003C00026631")
    assert core.feed(bytes.fromhex("20020000")) == [("connected", 0)]
    core._last_id = 9
    assert core.publish("a/b", b"x", 1, 0, 0)[1] == bytes.fromhex("32080003612F62000A78")
    assert core.resend(0) == bytes.fromhex("3A080003612F62000A78")
    assert core.feed(bytes.fromhex("4002000A")) == [("puback", 10)]
    assert mqtt_core.text_bytes("A\U0002a6d4") == bytes.fromhex("000541F0AA9B94")
    for bad in ("30050003EDA080", "30040002C0AF", "3005000361FF62", "3003000078", "F000"):
        core = mqtt_core.MqttCore("f1", clean=1)
        core.connect(0)
        core.feed(bytes.fromhex("20020000"))
        try:
            core.feed(bytes.fromhex(bad))
        except mqtt_core.ProtocolError:
            continue
        raise AssertionError(bad)


def check_templates_and_dating():
    text = b'[{"bn":"north/","bt":1767225600,"n":"seq","v":-1.5e-3},{"s":"a \\" 5 \\\\"},12]'
    assert templates.join(*templates.split(text)) == text
    marked = dating.mark(b'[{"bn":"n/"}]', 5, 100)
    assert dating.date(marked, 5, 160, 1767225600) == b'[{"bt":1767225540,"bn":"n/"}]'


def check_names():
    query = names.question("broker.example", 7)
    reply = bytes((0, 7, 0x81, 0x80)) + query[4:6] + b"\x00\x01\x00\x00\x00\x00" + query[12:]
    reply += b"\xc0\x0c\x00\x01\x00\x01\x00\x00\x00\x3c\x00\x04\xc0\x00\x02\x01"
    assert names.answer(reply, 7) == "192.0.2.1"


def check_slots_on_littlefs():
    """Cut in every write and erase of three saves: the record is the last saved or the one under way."""

    def work(store, reported):
        records = slots.Slots(store)
        for n in (1, 2, 3):
            records.save("state", {"n": n, "pad": "x" * 40 * n})
            reported(n)

    start = with_power_cut(formatted(16), -1, lambda store, _: slots.Slots(store).save("state", {"n": 0}))[2]
    cut_at, seen = 0, set()
    while True:
        left, early, _ = with_power_cut(start, cut_at, work)
        if left is None:
            break
        found = looked_at(left, lambda store: slots.Slots(store).load("state"))["n"]
        last = early[-1] if early else 0
        assert found in (last, last + 1), (cut_at, found, last)
        seen.add(found)
        cut_at += 1
        gc.collect()
    assert seen >= {0, 1, 2}, seen
    assert cut_at > 5


def check_journal_on_littlefs():
    """Cut in every write and erase of twelve records over several files: what was stored is there, in order."""
    wanted = [("readings", b'[{"bn":"north/","bt":%d,"n":"seq","u":"count","v":%d}]' % (1767225600 + n, n))
              for n in range(12)]  # fmt: skip

    def work(store, reported):
        book = journal.Journal(store, segment_bytes=350)
        for suffix, payload in wanted:
            book.add(suffix, payload, 0)
            assert not book.errors
            reported((suffix, payload))

    def look(store):
        book, found = journal.Journal(store, segment_bytes=350), []
        while book.peek():
            found.append(book.peek())
            book.done(book.peek())
        return found

    start, cut_at = formatted(24), 0
    while True:
        left, early, end = with_power_cut(start, cut_at, work)
        found = looked_at(left or end, look)
        assert found[: len(early)] == early, cut_at
        assert found == wanted[: len(found)], cut_at
        if left is None:
            break
        cut_at += 1
        gc.collect()
    assert len(found) == 12
    assert cut_at > 20


def check_storage_in_a_folder():
    store = storage.FileStorage("/f")
    vfs.mount(vfs.VfsLfs2(Flash(16, formatted(16))), "/f")
    assert store.read("none") is None
    store.remove("none")
    store.append("a", b"1")
    store.append("a", b"2")
    assert store.read("a") == b"12"
    assert list(store.names()) == ["a"]
    vfs.umount("/f")


def check_step_needs_no_more_memory():
    """Reading a message and looking for work must not grow the heap over 500 rounds (REL: no downward trend)."""
    core = mqtt_core.MqttCore("f1", clean=1)
    core.connect(0)
    core.feed(bytes.fromhex("20020000"))
    packet = bytes.fromhex("32080003612F62000A78")
    levels = []
    for n in range(500):
        core.feed(packet)
        core.owed(n)
        core.tick(n)
        if n % 100 == 99:
            gc.collect()
            levels.append(gc.mem_alloc())
    assert levels[-1] <= levels[0] + 256, levels


for name, check in sorted(globals().items()):
    if name.startswith("check_"):
        try:
            check()
            print("ok", name[6:])
        except Exception as error:
            print("FAILED", name[6:])
            sys.print_exception(error, sys.stdout)
