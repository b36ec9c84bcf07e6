"""Scratchpads are those of the real part, and each lie of a probe looks as it should."""

from __future__ import annotations

import pytest

from framesim.faults import Fault, Faults
from framesim.probe_parts import Probe, ProbeParts, crc8, read_all, scratchpad

QUIET = ProbeParts(noise_k=0.0)


def degc(raw: bytes | None) -> float:
    """Temperature of a scratchpad."""
    assert raw is not None
    return int.from_bytes(raw[:2], "little", signed=True) / 16


def settled(at_degc: float = 10.0, parts: ProbeParts = QUIET) -> tuple[Probe, Faults]:
    """A probe that has been at one temperature for long."""
    faults = Faults()
    probe = Probe("air", parts, faults, seed=1)
    probe.advance(3600, at_degc, 0.0, 5.0)
    return probe, faults


# Source: temperature/data table of the 12-bit 1-Wire thermometer's data sheet (DS18B20 type), as quoted in a
# public driver's tests; check sums computed with the application note 27 polynomial, twice, independently.
@pytest.mark.parametrize(
    ("temp", "text"),
    [
        (85.0, "50 05 4B 46 7F FF 10 10"),
        (25.0625, "91 01 4B 46 7F FF 0F 10 25"),
        (10.125, "A2 00 4B 46 7F FF 0E 10 E5"),
        (-0.5, "F8 FF 4B 46 7F FF 08 10 F8"),
        (-10.125, "5E FF 4B 46 7F FF 02 10 B6"),
        (-55.0, "90 FC 4B 46 7F FF 10 10 EE"),
    ],
)
def test_scratchpad_bytes(temp: float, text: str) -> None:
    """The register of the data sheet's table, byte for byte."""
    assert scratchpad(temp).startswith(bytes.fromhex(text))


# Source: application note 27 on 1-Wire check sums, worked example; ROM codes printed in a public driver source.
@pytest.mark.parametrize(
    ("data", "crc"),
    [("021CB801000000", 0xA2), ("28C652B6040000", 0x23), ("283CE7B5040000", 0x8B), ("313233343536373839", 0xA1)],
)
def test_check_sum(data: str, crc: int) -> None:
    """1-Wire check sum over published bytes."""
    assert crc8(bytes.fromhex(data)) == crc


def test_lag_is_first_order() -> None:
    """After one lag 63 % of a step are there, whatever the step length."""
    for step_s in (1.0, 5.0, 60.0):
        probe, _ = settled(0.0)
        for _ in range(round(60 / step_s)):
            probe.advance(step_s, 10.0, 0.0, 5.0)
        assert probe.shown_degc == pytest.approx(6.32, abs=0.01)


def test_noise_has_the_stated_size_and_is_repeatable() -> None:
    """Same seed, same noise; its spread is the stated one."""
    readings = []
    for _ in range(2):
        probe, _ = settled(10.0, ProbeParts(noise_k=0.5))
        readings.append([degc(probe.read()) for _ in range(2000)])
    assert readings[0] == readings[1]
    mean = sum(readings[0]) / 2000
    spread = (sum((value - mean) ** 2 for value in readings[0]) / 2000) ** 0.5
    assert mean == pytest.approx(10, abs=0.05)
    assert spread == pytest.approx(0.5, rel=0.1)


def test_sun_heats_a_probe_a_little_and_an_unshaded_one_much() -> None:
    """1.5 K at full sun in its shade, 20 K without."""
    probe, faults = settled()
    probe.advance(3600, 10.0, 1000.0, 5.0)
    assert degc(probe.read()) == pytest.approx(11.5, abs=0.1)
    faults.start(Fault("probe-air", "in-sun"))
    probe.advance(3600, 10.0, 1000.0, 5.0)
    assert degc(probe.read()) == pytest.approx(30, abs=0.1)


@pytest.mark.parametrize(
    ("kind", "answer"),
    [
        ("power-on", bytes.fromhex("50054B467FFF0C101C")),
        ("minus-127", scratchpad(-127.0)),
        ("no-answer", None),
        ("bus-low", bytes(9)),
        ("all-ones", b"\xff" * 9),
    ],
)
def test_fixed_answers(kind: str, answer: bytes | None) -> None:
    """Each dead probe answers with its own mark, and is well again after repair."""
    probe, faults = settled()
    fault = Fault("probe-air", kind)
    faults.start(fault)
    assert probe.read() == answer
    faults.end(fault)
    assert degc(probe.read()) == 10.0


def test_minus_127_has_a_good_check_sum() -> None:
    """It is a value that only a check of the range can refuse."""
    raw = scratchpad(-127.0)
    assert crc8(raw[:8]) == raw[8]
    assert degc(raw) == -127.0


def test_bad_check_sum_on_a_share_of_readings() -> None:
    """A loose plug spoils the share of readings that it was told to."""
    probe, faults = settled()
    faults.start(Fault("probe-air", "bad-crc", {"share": 0.25}))
    bad = 0
    for _ in range(100):
        raw = probe.read()
        assert raw is not None
        bad += crc8(raw[:8]) != raw[8]
    assert bad == 25


def test_stuck_probe_repeats_its_last_value() -> None:
    """It does not follow a warming frame."""
    probe, faults = settled()
    last = probe.read()
    faults.start(Fault("probe-air", "stuck"))
    probe.advance(3600, 30.0, 0.0, 5.0)
    assert probe.read() == last


def test_drift_offset_noise_slowness_and_wet_soil() -> None:
    """Each wrong in its own way."""
    probe, faults = settled()
    drift = Fault("probe-air", "drift", {"k_per_hour": 0.5})
    faults.start(drift)
    for _ in range(40):
        probe.advance(360, 10.0, 0.0, 5.0)
    assert degc(probe.read()) == pytest.approx(12, abs=0.1)
    faults.end(drift)
    offset = Fault("probe-air", "offset", {"k": -3.0})
    faults.start(offset)
    assert degc(probe.read()) == 7.0
    faults.end(offset)
    soil = Fault("probe-air", "in-soil")
    faults.start(soil)
    probe.advance(3600, 10.0, 500.0, 5.0)
    assert degc(probe.read()) == pytest.approx(5, abs=0.1)
    faults.end(soil)
    slow = Fault("probe-air", "slow")
    faults.start(slow)
    probe.advance(60, 25.0, 0.0, 5.0)
    assert degc(probe.read()) < 6
    faults.end(slow)
    faults.start(Fault("probe-air", "noisy"))
    values = [degc(probe.read()) for _ in range(200)]
    assert max(values) - min(values) > 5


def test_swapped_probes_exchange_their_answers() -> None:
    """Air reads soil and soil reads air."""
    faults = Faults()
    probes = {place: Probe(place, QUIET, faults, 1) for place in ("air", "soil")}
    probes["air"].advance(1, 30.0, 0.0, 5.0)
    probes["soil"].advance(1, 5.0, 0.0, 5.0)
    faults.start(Fault("probe-air", "swapped", {"with": "soil"}))
    answers = read_all(probes, faults)
    assert (degc(answers["air"]), degc(answers["soil"])) == (5.0, 30.0)
