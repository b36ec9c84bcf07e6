"""Readings that lie: each way a probe can be wrong, and that it is believed again afterwards."""

from __future__ import annotations

import random

import pytest

from sash import probes
from sash.probes import NO_MDEGC, Probe, Probes


def pad(degc: float, config: int = 0x7F) -> bytes:
    """Nine scratchpad bytes of a temperature, with a good checksum."""
    raw = round(degc * 16) & 0xFFFF
    body = bytes([raw & 255, raw >> 8, 0x4B, 0x46, config, 0xFF, 0x0C, 0x10])
    return body + bytes([probes.crc8(body)])


def feed(probe: Probe, degc: float, times: int = 1, dt_s: int = 5) -> int:
    """Let the probe see a temperature; returns what it trusts then."""
    for _ in range(times):
        probe.sample(pad(degc), dt_s, 0)
    return probe.mdegc


# Source: Application note 27 on the 1-Wire CRC, worked example; ROM codes printed in a public driver source;
# CRC catalogue check value (last one from memory).
@pytest.mark.parametrize(
    ("data", "crc"),
    [
        ("021CB801000000", 0xA2),
        ("28C652B6040000", 0x23),
        ("283CE7B5040000", 0x8B),
        ("28E1E6B5040000", 0xC8),
        ("28FF641E921604", 0x2B),
        (b"123456789".hex(), 0xA1),
        ("00" * 8, 0x00),
        ("FF" * 8, 0xC9),
    ],
)
def test_application_note_27_crc(data: str, crc: int) -> None:
    """The checksum must be the bus's own; with it appended the sum is zero."""
    raw = bytes.fromhex(data)
    assert probes.crc8(raw) == crc
    assert probes.crc8(raw + bytes([crc])) == 0


# Source: data sheet of the 12-bit 1-Wire thermometer, temperature/data table.
@pytest.mark.parametrize(
    ("raw", "degc"),
    [(0x07D0, 125), (0x0550, 85), (0x0191, 25.0625), (0x00A2, 10.125), (0x0008, 0.5), (0x0000, 0),
     (0xFFF8, -0.5), (0xFF5E, -10.125), (0xFE6F, -25.0625), (0xFC90, -55)],
)  # fmt: skip
def test_data_sheet_temperatures(raw: int, degc: float) -> None:
    """Register values must give the table's temperatures, rounded down to a thousandth."""
    signed = probes.scratchpad_raw(bytes([raw & 255, raw >> 8]))
    assert probes.raw_mdegc(signed) == int(degc * 1000 // 1)


# Source: computed from the data sheet's layout (six whole scratchpads).
@pytest.mark.parametrize(
    ("text", "mdegc"),
    [("91014B467FFF0F1025", 25_062), ("A2004B467FFF0E10E5", 10_125), ("F8FF4B467FFF0810F8", -500),
     ("5EFF4B467FFF0210B6", -10_125), ("90FC4B467FFF1010EE", -55_000)],
)  # fmt: skip
def test_whole_scratchpads(text: str, mdegc: int) -> None:
    """A good scratchpad is believed at once, cold ones below zero included."""
    probe = Probe("air")
    probe.sample(bytes.fromhex(text), 5, 0)
    assert (probe.mdegc, probe.out) == (mdegc, 0)


@pytest.mark.parametrize(
    ("raw", "why"),
    [
        (None, probes.SILENT),
        (b"", probes.SILENT),
        (bytes(9), probes.ZEROS),
        (b"\xff" * 9, probes.CRC),
        (pad(20)[:8] + bytes([pad(20)[8] ^ 1]), probes.CRC),
        (pad(-127), probes.RANGE),
        (pad(-55.0625), probes.RANGE),
        (pad(85.0625), probes.RANGE),
        (pad(125), probes.RANGE),
        (pad(85), probes.POWER_ON),
        (bytes.fromhex("50054B467FFF0C101C"), probes.POWER_ON),
    ],
)
def test_bad_samples_take_the_probe_out(raw: bytes | None, why: int) -> None:
    """Each kind of lie is refused from the first sample and the probe is out with the third."""
    probe = Probe("air")
    feed(probe, 20)
    for count in (1, 2, 3):
        probe.sample(raw, 5, 0)
        assert probe.why == why
        assert probe.out == (1 if count == 3 else 0)
        assert probe.mdegc == (NO_MDEGC if count == 3 else 20_000)


def test_range_ends_are_believed() -> None:
    """The very ends of the range are still temperatures."""
    assert feed(Probe("air"), -55) == -55_000
    assert feed(Probe("air"), 84.9375) == 84_937


def test_power_on_value_is_never_a_first_reading() -> None:
    """85.0 as the first reading is the register's start value, however often it comes."""
    probe = Probe("air")
    assert feed(probe, 85, times=10) == NO_MDEGC
    assert (probe.out, probe.ever) == (1, 0)


def test_power_on_value_is_believed_near_a_good_one() -> None:
    """A frame that was at 80 a moment ago may be at 85."""
    probe = Probe("air")
    feed(probe, 80)
    assert feed(probe, 85) == 85_000


def test_slow_bad_samples_take_the_probe_out_after_a_minute() -> None:
    """With one sample in 40 s two bad ones are already more than a minute."""
    probe = Probe("air")
    feed(probe, 20, dt_s=40)
    probe.sample(None, 40, 0)
    assert probe.out == 0
    probe.sample(None, 40, 0)
    assert (probe.out, probe.mdegc) == (1, NO_MDEGC)


def test_three_good_samples_bring_the_probe_back() -> None:
    """After an outage three good samples in a row are needed; a bad one starts the count anew."""
    probe = Probe("air")
    feed(probe, 20)
    for _ in range(3):
        probe.sample(None, 5, 0)
    feed(probe, 20, times=2)
    probe.sample(None, 5, 0)
    assert feed(probe, 20, times=2) == NO_MDEGC
    assert feed(probe, 20) == 20_000
    assert (probe.out, probe.why) == (0, probes.GOOD)


def test_one_bad_sample_keeps_the_last_value() -> None:
    """A single hiccup on the bus must not blind the frame."""
    probe = Probe("air")
    feed(probe, 20)
    probe.sample(None, 5, 0)
    assert probe.mdegc == 20_000
    assert feed(probe, 20.5) == 20_500


def test_jump_is_refused_until_three_samples_agree() -> None:
    """Faster than 10 K in 10 s is no air; three samples that agree are believed after all."""
    probe = Probe("air")
    feed(probe, 10)
    assert feed(probe, 20.0625, dt_s=10) == 10_000
    assert probe.why == probes.JUMP
    assert feed(probe, 40, dt_s=1) == 10_000
    assert feed(probe, 40, dt_s=1) == NO_MDEGC
    assert feed(probe, 40, dt_s=1, times=3) == 40_000


def test_fast_but_possible_changes_are_believed() -> None:
    """10 K in 10 s, and 2 K between two quick samples, pass."""
    probe = Probe("air")
    feed(probe, 10)
    assert feed(probe, 20, dt_s=10) == 20_000
    assert feed(probe, 22, dt_s=1) == 22_000
    assert feed(probe, 24.0625, dt_s=1) == 22_000


def test_scattered_jumps_are_never_believed() -> None:
    """Three samples that do not agree with each other confirm nothing."""
    probe = Probe("air")
    feed(probe, 10)
    for degc in (40, 60, 30, 70, 35, 65):
        feed(probe, degc, dt_s=1)
    assert probe.mdegc == NO_MDEGC


def test_long_silence_does_not_excuse_any_jump() -> None:
    """However long it was away, a change of more than 30 K has to be confirmed."""
    probe = Probe("air")
    feed(probe, 10)
    for _ in range(100):
        probe.sample(None, 60, 0)
    feed(probe, 41, dt_s=60)
    assert probe.why == probes.JUMP


def frame() -> Probes:
    """Probes of a frame with a second air probe, all at 10 C."""
    all_probes = Probes(("air", "air2", "soil", "outside"))
    sample(all_probes, 10, 10, 10, 10)
    return all_probes


def sample(all_probes: Probes, air: float, air2: float, soil: float, outside: float, dt_s: int = 60) -> None:
    """One sample of all four."""
    pads = {"air": pad(air), "air2": pad(air2), "soil": pad(soil), "outside": pad(outside)}
    all_probes.sample(pads, dt_s)


def test_frozen_value_is_refused_when_others_move() -> None:
    """The same bits for more than three hours while others moved by a kelvin: out, and back when it moves."""
    all_probes = frame()
    for minute in range(180):
        sample(all_probes, 10, 10.5 + minute % 2, 10, 10 + minute % 2)
    assert all_probes.value("air") == 10_000
    for minute in range(4):
        sample(all_probes, 10, 10.5 + minute % 2, 10, 11.5)
    assert all_probes.value("air") == NO_MDEGC
    assert all_probes.by_place["air"].why == probes.FROZEN
    for minute in range(3):
        sample(all_probes, 10.0625 * (1 + minute / 1000), 11, 10, 12)
        sample(all_probes, 10.125 + minute / 16, 11, 10, 12)
    assert all_probes.value("air") > 10_000


def test_frozen_value_is_refused_sooner_when_another_has_moved_far() -> None:
    """The same bits for more than an hour while outdoors rose by two kelvins: out; by less: not yet."""
    for rise, is_out in ((2, True), (1.9, False)):
        all_probes = frame()
        for minute in range(58):
            sample(all_probes, 10, 10.5 + minute / 600, 10, 10 + rise * minute / 57)
        assert all_probes.value("air") == 10_000
        for minute in range(6):
            sample(all_probes, 10, 10.6 + minute / 600, 10, 10 + rise)
        assert (all_probes.value("air") == NO_MDEGC) == is_out


def test_frozen_value_is_fine_when_nothing_moves() -> None:
    """In a still night all probes may stand still."""
    all_probes = frame()
    for _ in range(600):
        sample(all_probes, 10, 10.5, 10, 10.9)
    assert all_probes.value("air") == 10_000


def test_soil_may_stand_still_for_half_a_day_and_at_zero_for_ever() -> None:
    """Soil is slow, and freezing water holds it at zero."""
    all_probes = frame()
    for minute in range(700):
        sample(all_probes, 10 + minute % 5, 10 + minute % 5, 10, 10 + minute % 3)
    assert all_probes.value("soil") == 10_000
    for minute in range(30):
        sample(all_probes, 10 + minute % 5, 10 + minute % 5, 10, 10 + minute % 3)
    assert all_probes.value("soil") == NO_MDEGC
    icy = frame()
    for minute in range(900):
        sample(icy, 5 + minute % 5, 5 + minute % 5, 0.5, 10 + minute % 3)
    assert icy.value("soil") == 500


def test_second_probe_stands_in() -> None:
    """When the first air probe is out the second is used; when both are, there is no air."""
    all_probes = frame()
    for _ in range(3):
        all_probes.sample({"air": None, "air2": pad(12), "soil": pad(10), "outside": pad(10)}, 10)
    assert all_probes.air_mdegc(1) == 12_000
    for _ in range(3):
        all_probes.sample({"soil": pad(10), "outside": pad(10)}, 10)
    assert all_probes.air_mdegc(1) == NO_MDEGC


def test_contradicting_probes_use_the_more_dangerous_value() -> None:
    """More than 5 K apart for ten minutes: by day the warmer, by night the colder, whichever probe it is."""
    all_probes = frame()
    for air in (12, 14):
        sample(all_probes, air, 10, 10, 10)
    for _ in range(9):
        sample(all_probes, 15.5, 10, 10, 10)
    assert (all_probes.apart, all_probes.air_mdegc(0)) == (0, 15_500)
    sample(all_probes, 15.5, 10, 10, 10)
    assert all_probes.apart == 1
    assert (all_probes.air_mdegc(1), all_probes.air_mdegc(0)) == (15_500, 10_000)


def test_contradiction_ends_ten_minutes_after_they_agree() -> None:
    """Within 3 K for ten minutes ends it; between 3 and 5 K it goes on."""
    all_probes = frame()
    for air in (12, 14, 16, *[16] * 12):
        sample(all_probes, air, 10, 10, 10)
    assert all_probes.apart == 1
    for _ in range(20):
        sample(all_probes, 14, 10, 10, 10)
    assert all_probes.apart == 1
    for _ in range(9):
        sample(all_probes, 13, 10, 10, 10)
    assert all_probes.apart == 1
    sample(all_probes, 13, 10, 10, 10)
    assert all_probes.apart == 0
    assert all_probes.air_mdegc(0) == 13_000


def test_exactly_five_kelvin_apart_is_no_contradiction() -> None:
    """The limit itself still counts as agreement."""
    all_probes = frame()
    for _ in range(30):
        sample(all_probes, 15, 10, 10, 10)
    assert all_probes.apart == 0


def test_one_probe_missing_is_no_contradiction() -> None:
    """With one of them out there is nothing to compare."""
    all_probes = frame()
    for air in (12, 14, 16, *[16] * 12):
        sample(all_probes, air, 10, 10, 10)
    for _ in range(3):
        all_probes.sample({"air": pad(16), "soil": pad(10), "outside": pad(10)}, 60)
    assert all_probes.apart == 0


def test_places_that_are_not_fitted_have_no_value() -> None:
    """A place without a probe reads as unknown, not as an error."""
    all_probes = Probes(("air",))
    all_probes.sample({"air": pad(10)}, 5)
    assert all_probes.fitted == ("air",)
    assert all_probes.value("soil") == NO_MDEGC
    assert all_probes.air_mdegc(1) == 10_000
    assert "air" in repr(all_probes.by_place["air"])


def test_damaged_scratchpads_are_never_used() -> None:
    """Of 100,000 scratchpads with one to three wrong bits not one wrong value may be believed.

    Two wrong bits, and any odd number, are always caught by this checksum over nine bytes.
    """
    dice = random.Random(28)
    good = pad(20)
    probe = Probe("air")
    feed(probe, 20)
    for _ in range(100_000):
        raw = bytearray(good)
        for bit in dice.sample(range(72), dice.randint(1, 3)):
            raw[bit // 8] ^= 1 << bit % 8
        probe.sample(bytes(raw), 1, 0)
        assert probe.mdegc in (20_000, NO_MDEGC)
    assert probe.out == 1
