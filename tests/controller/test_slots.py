"""Records on the board: the old or the new one after a power cut at any byte, never something between."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sash.slots import Slots, newer, pack, unpack
from sash.storage import FileStorage


class PowerCut(BaseException):
    """The supply is gone."""


class Flash:
    """Storage in memory whose supply fails after a number of bytes, and whose n-th call can fail.

    style "torn": the cut leaves the new file up to that byte. "old": a cut write leaves the old file (littlefs).
    "blank": what was not written reads FF, the length is already the new one.
    """

    def __init__(self, style: str = "torn") -> None:
        self.files: dict[str, bytes] = {}
        self.style = style
        self.budget: int | None = None
        self.fail_at: int | None = None
        self.lasting = False
        self.calls = 0

    def _call(self) -> None:
        self.calls += 1
        if self.fail_at is not None and (self.calls == self.fail_at or (self.lasting and self.calls > self.fail_at)):
            raise OSError(5, "input/output error")

    def read(self, name: str) -> bytes | None:
        self._call()
        return self.files.get(name)

    def write(self, name: str, data: bytes) -> None:
        self._call()
        self._put(name, b"", data)

    def append(self, name: str, data: bytes) -> None:
        self._call()
        self._put(name, self.files.get(name, b""), data)

    def _put(self, name: str, before: bytes, data: bytes) -> None:
        if self.budget is not None and self.budget < len(data):
            written, self.budget = data[: self.budget], 0
            if self.style == "torn":
                self.files[name] = before + written
            elif self.style == "blank":
                self.files[name] = before + written + b"\xff" * (len(data) - len(written))
            raise PowerCut
        if self.budget is not None:
            self.budget -= len(data)
        self.files[name] = before + data

    def remove(self, name: str) -> None:
        self._call()
        if self.budget is not None:
            if self.budget < 1:
                raise PowerCut
            self.budget -= 1
        self.files.pop(name, None)

    def names(self) -> list[str]:
        return list(self.files)


SETS = [{"n": n, "text": "x" * (n * 7 % 23)} for n in range(1, 7)]


@pytest.mark.parametrize("style", ["torn", "old", "blank"])
def test_cut_at_every_byte_leaves_old_or_new(style: str) -> None:
    """After a cut at any byte of any write the record must be the last saved or the one being saved."""
    total = sum(len(pack("settings", 0, b"")) + len(str(value)) for value in SETS)
    seen_old = 0
    for budget in range(total):
        flash = Flash(style)
        flash.budget = budget
        saved, under_way = None, None
        slots = Slots(flash)
        try:
            for value in SETS:
                under_way = value
                slots.save("settings", value)
                saved = value
        except PowerCut:
            pass
        flash.budget = None
        found = Slots(flash).load("settings")
        assert found in (saved, under_way)
        seen_old += found == saved and saved is not under_way
    assert seen_old > 100


@pytest.mark.parametrize("style", ["torn", "blank"])
def test_second_cut_while_repairing_the_first(style: str) -> None:
    """Two cuts in a row, at every pair of bytes of one record, must still leave the last saved set."""
    size = len(pack("s", 0, b'{"n":3}'))
    for first in range(size):
        for second in range(size):
            flash = Flash(style)
            Slots(flash).save("s", {"n": 1})
            Slots(flash).save("s", {"n": 2})
            for budget in (first, second):
                flash.budget = budget
                with pytest.raises(PowerCut):
                    Slots(flash).save("s", {"n": 3})
            flash.budget = None
            assert Slots(flash).load("s") == {"n": 2}
            Slots(flash).save("s", {"n": 4})
            assert Slots(flash).load("s") == {"n": 4}


def both_saved() -> Flash:
    """A record saved twice: both files are in use, n=2 is the newer."""
    flash = Flash()
    for n in (1, 2):
        Slots(flash).save("state", {"n": n})
    return flash


def test_each_flipped_bit_falls_back_to_the_other_file() -> None:
    """Any single flipped bit in the newer file must bring back the older set, never a damaged one."""
    for name, expected in (("state.b", {"n": 1}), ("state.a", {"n": 2})):
        for bit in range(len(both_saved().files[name]) * 8):
            flash = both_saved()
            damaged = bytearray(flash.files[name])
            damaged[bit // 8] ^= 1 << bit % 8
            flash.files[name] = bytes(damaged)
            assert Slots(flash).load("state") == expected


@pytest.mark.parametrize(
    "damage", [lambda raw: raw[:-1], lambda raw: raw[1:], lambda raw: raw + b"\0", lambda raw: b""]
)
def test_truncated_and_grown_files_are_refused(damage: Callable[[bytes], bytes]) -> None:
    """A file of the wrong length must count as damaged; with both damaged there is no record, and no crash."""
    flash = both_saved()
    flash.files["state.b"] = damage(flash.files["state.b"])
    assert Slots(flash).load("state") == {"n": 1}
    flash.files["state.a"] = damage(flash.files["state.a"])
    assert Slots(flash).load("state") is None


def test_every_truncation_is_refused() -> None:
    """Any shorter file must be refused."""
    raw = pack("state", 7, b'{"n":2}')
    assert unpack("state", raw) == (7, b'{"n":2}')
    assert all(unpack("state", raw[:size]) is None for size in range(len(raw)))


def test_record_of_another_name_is_refused() -> None:
    """A file that landed under another record's name must not be taken for it."""
    flash = both_saved()
    flash.files["settings.a"] = flash.files["state.b"]
    assert Slots(flash).load("settings") is None


def test_swapped_files_keep_the_newer_set() -> None:
    """Which file holds the newer set must not matter."""
    flash = both_saved()
    files = flash.files
    files["state.a"], files["state.b"] = files["state.b"], files["state.a"]
    slots = Slots(flash)
    assert slots.load("state") == {"n": 2}
    slots.save("state", {"n": 3})
    assert Slots(flash).load("state") == {"n": 3}
    assert unpack("state", files["state.b"]) is not None


def test_sequence_wraps_at_32_bits() -> None:
    """The set written after the wrap must win over the one before it."""
    flash = Flash()
    flash.files["s.a"] = pack("s", 0xFFFFFFFE, b'{"n":1}')
    slots = Slots(flash)
    assert slots.load("s") == {"n": 1}
    for n in range(2, 7):
        slots.save("s", {"n": n})
        assert Slots(flash).load("s") == {"n": n}


@given(st.integers(0, 2**32 - 1), st.integers(1, 2**31 - 1))
def test_newer_holds_across_the_wrap(old: int, step: int) -> None:
    """Any later number within half the range is newer, and never the other way round."""
    new = (old + step) % 2**32
    assert newer(new, old)
    assert not newer(old, new)
    assert not newer(old, old)


def test_same_data_is_not_written_again() -> None:
    """Saving what is stored already must spare the flash."""
    flash = both_saved()
    slots = Slots(flash)
    slots.load("state")
    before = flash.calls
    slots.save("state", {"n": 2})
    assert (flash.calls, slots.skipped) == (before, 1)


def test_write_that_does_not_read_back_is_an_error() -> None:
    """A flash that loses a write silently must be noticed, and the older set must survive."""
    flash = both_saved()
    flash.write = lambda name, data: flash.files.__setitem__(name, data[:-1] + b"?")  # type: ignore[method-assign]
    with pytest.raises(OSError, match="read back"):
        Slots(flash).save("state", {"n": 3})
    assert Slots(flash).load("state") == {"n": 2}


@pytest.mark.parametrize("lasting", [False, True])
def test_nth_failing_call_never_corrupts(lasting: bool) -> None:
    """Whichever storage call fails, once or from then on, a set must remain and errors must be OSError."""
    for fail_at in range(1, 30):
        flash = both_saved()
        flash.calls, flash.fail_at, flash.lasting = 0, fail_at, lasting
        slots = Slots(flash)
        saved = {2}
        for n in (3, 4, 5):
            try:
                slots.save("state", {"n": n})
                saved.add(n)
            except OSError:
                saved.add(n)  # it may or may not have reached the flash
        flash.fail_at = None
        found = Slots(flash).load("state")
        assert found is not None
        assert found["n"] in saved


def test_spoiled_is_not_the_same_as_never_stored() -> None:
    """Nothing stored: not spoiled; one whole file: not spoiled; both damaged: spoiled."""
    flash = both_saved()
    names = list(flash.files)
    record = names[0].rsplit(".", 1)[0]
    assert not Slots(Flash()).spoiled(record)
    assert not Slots(flash).spoiled(record)
    flash.files[names[0]] = b"x"
    assert not Slots(flash).spoiled(record)
    flash.files[names[1]] = b""
    assert Slots(flash).spoiled(record)


def test_stored_text_that_is_no_object_is_no_record() -> None:
    """A whole file that holds something else than an object must count as none."""
    flash = Flash()
    flash.files["s.a"] = pack("s", 1, b"[1]")
    assert Slots(flash).load("s") is None
    flash.files["s.a"] = pack("s", 1, b"{")
    assert Slots(flash).load("s") is None


def test_files_in_a_folder(tmp_path) -> None:  # type: ignore[no-untyped-def]
    """The same records must work over real files, missing ones being no error."""
    storage = FileStorage(str(tmp_path))
    assert storage.read("none") is None
    storage.remove("none")
    slots = Slots(storage)
    slots.save("state", {"n": 1})
    slots.save("state", {"n": 2})
    assert sorted(storage.names()) == ["state.a", "state.b"]
    assert Slots(storage).load("state") == {"n": 2}
    storage.append("log", b"a")
    storage.append("log", b"b")
    assert storage.read("log") == b"ab"


def test_checksum_is_the_zlib_crc_32() -> None:
    """The CRC must be the common CRC-32: 123456789 gives CBF43926 (check value of the zlib polynomial)."""
    import binascii

    assert binascii.crc32(b"123456789") == 0xCBF43926
