"""The battery sags, tires in the cold, and a small panel brings it back."""

from __future__ import annotations

import pytest

from framesim.battery import Battery, BatteryParts
from framesim.faults import Fault, Faults

NO_LOAD = BatteryParts(board_ma=0.0)


# Source: widely reprinted rest-voltage table of flooded 12 V batteries (rounded form seen on a public
# mailing list, two decimals from memory), +-0.15 V.
@pytest.mark.parametrize(
    ("soc", "volts"), [(1, 12.65), (0.75, 12.45), (0.5, 12.24), (0.25, 12.06), (0, 11.89), (0.625, 12.35)]
)
def test_rest_voltage(soc: float, volts: float) -> None:
    """Rest voltage follows the table, straight between its points."""
    assert Battery.rest_v(soc) == pytest.approx(volts, abs=0.01)


def test_charge_is_counted() -> None:
    """12 Ah at 25 C give one ampere for twelve hours, not for fourteen."""
    battery = Battery(BatteryParts(board_ma=0.0, start_soc=1.0))
    battery.advance(11.9 * 3600, 1000.0, 0.0, 25.0)
    assert battery.volts > 11.8
    battery.advance(1.8 * 3600, 1000.0, 0.0, 25.0)
    assert battery.volts < 10.0


def test_cold_costs_capacity_and_voltage() -> None:
    """At -20 C a third of the capacity is gone and a stroke pulls the voltage down further."""
    battery = Battery(NO_LOAD)
    assert battery.capacity_ah(-20) == pytest.approx(0.64 * 12, rel=0.01)
    warm = battery.volts_under(2000, 20) - battery.volts_under(0, 20)
    cold = battery.volts_under(2000, -20) - battery.volts_under(0, -20)
    assert cold < 1.4 * warm < 0


def test_panel_brings_it_back_unless_covered() -> None:
    """A sunny day outweighs the standing load, a covered panel brings nothing."""
    for covered in (False, True):
        faults = Faults()
        battery = Battery(BatteryParts(start_soc=0.5), faults)
        if covered:
            faults.start(Fault("battery", "panel-covered"))
        before = battery.drawn_ah
        battery.advance(5 * 3600, 0.0, 600.0, 5.0)
        assert (battery.drawn_ah > before) is covered


def test_charging_stops_at_full() -> None:
    """Never above 14.4 V nor more than full."""
    battery = Battery(NO_LOAD)
    battery.advance(48 * 3600, 0.0, 1000.0, 10.0)
    assert battery.drawn_ah == 0
    assert battery.volts <= 14.4


def test_an_empty_battery_comes_back_with_the_sun() -> None:
    """Forty dark days draw no more than there is; two sunny weeks without load charge it again."""
    battery = Battery()
    battery.advance(40 * 86400, 0.0, 0.0, 0.0)
    assert battery.drawn_ah == pytest.approx(1.1 * 12.0)
    assert battery.volts < 10.0
    battery.board_on = False
    for _ in range(14 * 8):
        battery.advance(3600, 0.0, 500.0, 0.0)
    assert battery.soc(0.0) > 0.9


def test_flat_and_old() -> None:
    """Flat: at once nearly empty. Old: capacity gone, voltage drops more under load."""
    faults = Faults()
    battery = Battery(NO_LOAD, faults)
    before = battery.volts_under(2000, 10)
    old = Fault("battery", "old")
    faults.start(old)
    assert battery.capacity_ah(25) == pytest.approx(4.8)
    assert battery.volts_under(2000, 10) < before - 0.1
    faults.end(old)
    faults.start(Fault("battery", "flat"))
    battery.advance(5, 0.0, 0.0, 10.0)
    assert battery.soc(10.0) == pytest.approx(0.05, abs=0.01)
