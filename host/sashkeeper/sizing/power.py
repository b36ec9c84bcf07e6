"""Does this battery and panel carry the frame through the darkest month?"""

from __future__ import annotations

import calendar
from dataclasses import dataclass
from itertools import pairwise

from sashkeeper.sizing import cable, sunshine
from sashkeeper.sizing.rows import Row, Verdict

PANEL_YIELD = 0.60  # chosen: dirt, snow, a warm-up, the charge controller and a battery that is not at its best voltage
PANEL_MARGIN = 1.3  # chosen: so that an empty battery fills again
COLD_SHARE = 0.75  # common practice, no source: what a lead battery still gives near -10 degC
LEAD_FLOOR, LITHIUM_FLOOR = 0.5, 0.2  # chosen: never emptied below this share, for a long life

# Rest voltage of a 12 V lead battery. Source: widely reprinted table of makers.
REST_V = ((1.00, 12.65), (0.75, 12.45), (0.50, 12.24), (0.25, 12.06), (0.00, 11.89))


@dataclass(frozen=True)
class Load:
    """What the frame draws, at the battery."""

    idle_ma: float = 60.0  # board, radio and probes; chosen, measure yours
    moves_per_day: float = 12.0  # strokes there and back count as two
    travel_s: float = 60.0
    motor_a: float = 2.0
    stall_a: float = 5.0

    def daily_ah(self) -> float:
        """Charge a day [Ah]."""
        return self.idle_ma / 1000.0 * 24.0 + self.moves_per_day * self.travel_s * self.motor_a / 3600.0


@dataclass(frozen=True)
class Supply:
    """Battery, panel and cable."""

    battery_ah: float
    panel_w: float
    lat_deg: float
    volts: float = 12.0
    lithium: bool = False
    tilt_deg: float = 65.0
    clearness: float = sunshine.CLEARNESS
    sunless_days: float = 7.0
    cable_m: float = 5.0
    cable_mm2: float = 0.0  # 0: choose one
    month_kwh_m2: tuple[float, ...] = ()  # sun on level ground by month from a weather file; () when unknown


@dataclass(frozen=True)
class PowerFigures:
    """What came out."""

    daily_ah: float
    daily_wh: float
    usable_ah: float
    days: float  # without any sun, from full
    month: int  # the darkest
    sun_kwh_m2: float  # on the panel, a day of that month
    harvest_wh: float
    needed_ah: float
    needed_w: float
    fuse_a: float | None
    area_mm2: float | None
    drop_v: float
    low_mv: int  # rest voltage at the floor
    empty_mv: int


def work_out(load: Load, supply: Supply) -> PowerFigures:
    """All figures of one supply."""
    daily_ah = load.daily_ah()
    floor = LITHIUM_FLOOR if supply.lithium else LEAD_FLOOR
    cold = 1.0 if supply.lithium else COLD_SHARE
    usable = supply.battery_ah * (1.0 - floor) * cold
    month, sun = _darkest(supply)
    # A peak watt gives one watt-hour per kWh/m2 of sun. Source: definition of the panel's rating at 1000 W/m2.
    harvest = sun * supply.panel_w * PANEL_YIELD
    daily_wh = daily_ah * supply.volts
    area = supply.cable_mm2 or cable.section_mm2(supply.cable_m, load.motor_a, supply.volts)
    scale = supply.volts / 12.0
    return PowerFigures(
        daily_ah=daily_ah,
        daily_wh=daily_wh,
        usable_ah=usable,
        days=usable / daily_ah,
        month=month,
        sun_kwh_m2=sun,
        harvest_wh=harvest,
        needed_ah=daily_ah * supply.sunless_days / (1.0 - floor) / cold,
        needed_w=float("inf") if sun <= 0 else daily_wh * PANEL_MARGIN / (sun * PANEL_YIELD),
        fuse_a=cable.fuse_a(load.motor_a),
        area_mm2=area,
        drop_v=cable.drop_v(supply.cable_m, area, load.motor_a) if area else float("inf"),
        low_mv=round(rest_v(floor) * scale * 1000),
        empty_mv=round(rest_v(0.10) * scale * 1000),
    )


def _darkest(supply: Supply) -> tuple[int, float]:
    """Month and sun on the panel [kWh/m2 a day] of the darkest month."""
    suns = []
    for month in range(1, 13):
        clearness = supply.clearness
        if supply.month_kwh_m2:
            above = sunshine.above_air_kwh_m2(supply.lat_deg, sunshine.MONTH_DAYS[month - 1])
            clearness = supply.month_kwh_m2[month - 1] / above if above > 0 else 0.0
        suns.append((sunshine.panel_kwh_m2(supply.lat_deg, month, supply.tilt_deg, clearness), month))
    sun, month = min(suns)
    return month, sun


def rest_v(charge: float) -> float:
    """Rest voltage [V] of a 12 V lead battery at a state of charge 0..1, between the rows of REST_V."""
    for (high, high_v), (low, low_v) in pairwise(REST_V):
        if charge >= low:
            return low_v + (high_v - low_v) * (min(charge, high) - low) / (high - low)
    return REST_V[-1][1]


def judge(load: Load, supply: Supply) -> tuple[PowerFigures, list[Row]]:
    """Figures and rows of one supply."""
    figures = work_out(load, supply)
    return figures, [*_battery_rows(supply, figures), *_cable_rows(load, supply, figures)]


def _battery_rows(supply: Supply, f: PowerFigures) -> list[Row]:
    month = calendar.month_name[f.month]
    enough_days = f.days >= supply.sunless_days
    enough_sun = f.harvest_wh >= PANEL_MARGIN * f.daily_wh
    rows = [
        Row(
            "",
            "days without any sun, from full",
            f"{f.days:.1f} days",
            f"{supply.sunless_days:g} days",
            Verdict.SOUND if enough_days else Verdict.REFUSED,
            ""
            if enough_days
            else f"Take a battery of at least {f.needed_ah:.0f} Ah, or draw less: fewer moves, a board that sleeps.",
        ),
        Row(
            "",
            f"sun against need on a day of {month}",
            f"{f.harvest_wh:.0f} Wh against {f.daily_wh:.0f} Wh",
            f"{PANEL_MARGIN:g} times the need",
            Verdict.SOUND if enough_sun else Verdict.REFUSED,
            "" if enough_sun else _panel_advice(f, month),
        ),
    ]
    if supply.lithium:
        rows.append(
            Row(
                "",
                "charging a lithium battery in frost",
                "cells without their own heating",
                "never below 0 degC",
                Verdict.CONDITION,
                "Use one whose own electronics refuse to charge below 0 degC, or a lead battery.",
            )
        )
    return rows


def _panel_advice(f: PowerFigures, month: str) -> str:
    if f.needed_w > 200.0:
        return (
            f"There is too little sun in {month}: change batteries by hand, "
            "or feed the frame from indoors at 12 or 24 V."
        )
    return f"Take a panel of at least {f.needed_w:.0f} W, steep, facing the midday sun, where no shadow falls."


def _cable_rows(load: Load, supply: Supply, f: PowerFigures) -> list[Row]:
    share = cable.DROP_SHARE * supply.volts
    if f.fuse_a is None or f.area_mm2 is None:
        return [
            Row(
                "",
                "cable and fuse",
                "none of the usual ones fits",
                "",
                Verdict.REFUSED,
                "Put the battery nearer to the frame, or choose a drive that draws less.",
            )
        ]
    largest = max((most for area, most in cable.SECTIONS if area <= f.area_mm2 + 1e-9), default=0.0)
    return [
        Row(
            "",
            f"voltage lost in {supply.cable_m:g} m of {f.area_mm2:g} mm2",
            f"{f.drop_v:.2f} V while moving",
            f"{share:.2f} V",
            Verdict.SOUND if f.drop_v <= share else Verdict.CONDITION,
            "" if f.drop_v <= share else "Take thicker wire: the board may reset when the motor starts.",
        ),
        Row(
            "SAF-4",
            "fuse at the battery",
            f"{f.fuse_a:g} A",
            f"at most {largest:g} A for that wire",
            Verdict.SOUND if f.fuse_a <= largest else Verdict.REFUSED,
            "" if f.fuse_a <= largest else "The wire would burn before the fuse: take thicker wire.",
        ),
        Row(
            "",
            "fuse against the blocked motor",
            f"{load.stall_a:g} A blocked, fuse {f.fuse_a:g} A",
            "",
            Verdict.REPORT,
            "The fuse saves the wire, not a hand: it may take many seconds at this current."
            if load.stall_a < 3 * f.fuse_a
            else "",
        ),
        Row(
            "",
            "extra-low voltage",
            f"{supply.volts:g} V d.c.",
            "at most 24 V d.c.",
            Verdict.SOUND if 0 < supply.volts <= 24 else Verdict.REFUSED,
            "" if 0 < supply.volts <= 24 else "Only extra-low voltage belongs on a frame.",
        ),
    ]
