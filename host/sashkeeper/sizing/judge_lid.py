"""The figures of a lid against the safety rows, each with a sentence of advice."""

from __future__ import annotations

import math

from sashkeeper.sizing.lid import (
    CLOSING_AIM_N,
    CLOSING_EDGE_N,
    CLOSING_MM_S,
    GUARDED_GAP_M,
    LEAST_MARGIN,
    MIN_DUTY,
    OPENING_MM_S,
    Drive,
    Lid,
    LidFigures,
    work_out,
)
from sashkeeper.sizing.linkage import HOUSING_M, Place
from sashkeeper.sizing.rows import Row, Verdict

EXTRA_LOW_V = 24.0  # the manual's own limit, d.c.
HAND_LIFT_N = 120.0  # chosen: what one hand can lift at the front edge without strain
BODY_GAPS = ((0.025, "finger"), (0.100, "hand"), (0.120, "arm"), (0.300, "head"), (0.500, "body"))


def judge(lid: Lid, drive: Drive, place: Place) -> tuple[LidFigures, list[Row]]:
    """Figures and rows of one lid; the worst row is the verdict."""
    figures = work_out(lid, drive, place)
    rows = [
        *_place_rows(figures),
        *_force_rows(lid, drive, figures),
        *_edge_rows(lid, drive, figures),
        *_speed_rows(lid, figures),
        *_rest_rows(lid, drive, figures),
    ]
    return figures, rows


def _row(id_: str, what: str, value: str, limit: str, good: bool, bad: Verdict, advice: str) -> Row:
    return Row(id_, what, value, limit, Verdict.SOUND if good else bad, "" if good else advice)


def _place_rows(f: LidFigures) -> list[Row]:
    return [
        _row(
            "",
            "arm of the drive about the hinge",
            f"{f.least_arm_m * 1000:.0f} to {f.greatest_arm_m * 1000:.0f} mm",
            "at least 30 mm",
            f.least_arm_m >= 0.03,
            Verdict.REFUSED,
            "The drive's line runs (nearly) through the hinge, so it cannot move the lid there. "
            "Set its fixed end lower or further towards the front.",
        ),
        _row(
            "",
            "stroke, and length with the lid shut",
            f"{f.stroke_m * 1000:.0f} mm, {f.shut_length_m * 1000:.0f} mm",
            f"length at least stroke + {HOUSING_M * 1000:.0f} mm",
            f.stroke_m > 0 and f.shut_length_m >= f.stroke_m + HOUSING_M,
            Verdict.REFUSED,
            "No ordinary drive is that short when pulled in. Fix it nearer to the hinge, lower, or open less far.",
        ),
    ]


def _force_rows(lid: Lid, drive: Drive, f: LidFigures) -> list[Row]:
    need = max(f.opening_n, f.pulling_n)
    rows = [
        _row(
            "",
            "drive force for the bare lid, and with wind",
            f"{f.weight_force_n:.0f} N, {need:.0f} N",
            f"rated {drive.force_n:.0f} N",
            need <= drive.force_n,
            Verdict.CONDITION if f.weight_force_n <= drive.force_n else Verdict.REFUSED,
            "The drive cannot lift this lid."
            if f.weight_force_n > drive.force_n
            else "It lifts the lid only in less wind than you asked for; in more it stops and tries again later.",
        ),
    ]
    if drive.hardware_limit_a is not None:
        rows.append(
            _row(
                "",
                "driver's own limit above the program's",
                f"{drive.hardware_limit_a:.2f} A against {f.limit_a:.2f} A",
                "",
                drive.hardware_limit_a > f.limit_a,
                Verdict.REFUSED,
                "The motor driver limits before the lid is open: raise its limit, or choose a stronger drive.",
            )
        )
    if f.loaded_force_n > f.weight_force_n * 1.001:
        rows.append(
            _row(
                "",
                "drive force with the snow and ice you named",
                f"{f.loaded_force_n:.0f} N",
                f"rated {drive.force_n:.0f} N",
                f.loaded_force_n <= drive.force_n,
                Verdict.CONDITION,
                "With that on it the lid counts as blocked: the current limit stops the drive and the frame calls. "
                "Brush the lid off, then let it move.",
            )
        )
    return rows


def _edge_rows(lid: Lid, drive: Drive, figures: LidFigures) -> list[Row]:
    f = figures
    at_edge, at_half, at_fifth = f.closing_n
    excused = lid.guarded or lid.gap_m <= GUARDED_GAP_M
    bad = Verdict.CONDITION if excused else Verdict.REFUSED
    limited = drive.hardware_limit_a is not None or lid.slotted
    return [
        _row(
            "SAF-1",
            "closing force at the front edge, whatever the program does",
            f"{at_edge:.0f} N",
            f"{CLOSING_EDGE_N:.0f} N, aim {CLOSING_AIM_N:.0f} N",
            at_edge <= CLOSING_EDGE_N,
            bad,
            _too_strong(lid, figures),
        ),
        Row(
            "SAF-2",
            "closing force at 100, 50 and 20 % of the depth",
            f"{at_edge:.0f}, {at_half:.0f}, {at_fifth:.0f} N",
            "",
            Verdict.REPORT,
            "The nearer to the hinge, the harder the lid bites: guard the sides near the hinge.",
        ),
        Row(
            "SAF-3",
            "the same beside the limits for powered gates",
            f"{at_edge:.0f} N at the edge",
            "400 N peak, 150 N after 0.75 s, 25 N after 5 s",
            Verdict.REPORT,
            "After a stop the drive holds its place: whoever is caught is not let go until somebody lifts the lid "
            "or pulls the quick-release pin."
            if not lid.slotted
            else "",
        ),
        _row(
            "SAF-4",
            "limit of the drive's force in hardware",
            "slotted link: it can only push"
            if lid.slotted
            else f"{drive.hardware_limit_a:.1f} A"
            if drive.hardware_limit_a is not None
            else "none named",
            "driver with its own current limit, clutch, or a link that only pushes",
            limited,
            Verdict.CONDITION,
            "The limit in the program is not counted as protection. Use a motor driver with its own current limit "
            "(or a slip clutch, or a slotted link) and name it with --limit-a.",
        ),
        _row(
            "",
            "closing force at the edge, stopped by the program's limit",
            f"{f.edge_limit_n:.0f} N at {f.limit_a:.1f} A",
            f"{CLOSING_EDGE_N:.0f} N",
            f.edge_limit_n <= CLOSING_EDGE_N + 0.5,
            bad,
            "Even the lowest current limit that still opens the lid lets it close too hard. "
            + _too_strong(lid, figures),
        ),
    ]


def _too_strong(lid: Lid, f: LidFigures) -> str:
    if f.front_lift_n > CLOSING_EDGE_N:
        return "The lid is too heavy on its own: split it in two, or use a lighter sheet."
    lower = (
        f"Lower the limit of the motor driver to {math.floor(f.safe_limit_a * 10) / 10:.1f} A or less"
        if f.safe_limit_a >= LEAST_MARGIN * f.working_a
        else "Choose a drive that draws less when running free, or a lighter lid"
    )
    return (
        f"{lower}, or let the drive only push (slotted link), or open no more than "
        f"{GUARDED_GAP_M * 1000:.0f} mm, or guard the gap and say so with --guarded."
    )


def _speed_rows(lid: Lid, f: LidFigures) -> list[Row]:
    slow = f.closing_duty >= MIN_DUTY
    if f.edge_mm_s <= CLOSING_MM_S:
        closing = Row("SAF-1", "closing speed of the edge", f"{f.edge_mm_s:.0f} mm/s", "15 mm/s", Verdict.SOUND)
    else:
        closing = Row(
            "SAF-1",
            "closing speed of the edge",
            f"{f.edge_mm_s:.0f} mm/s at full power",
            "15 mm/s",
            Verdict.CONDITION if slow or lid.guarded else Verdict.REFUSED,
            f"Close with {math.floor(f.closing_duty * 1000)} permille of full power (in the fittings: "
            f"shut_power_permille); then it takes {f.shutting_s:.0f} s."
            if slow
            else "Too fast to be slowed by power alone: choose a slower drive, or fix it further from the hinge.",
        )
    opening = _row(
        "SAF-1",
        "opening speed of the edge",
        f"{f.edge_mm_s:.0f} mm/s",
        f"{OPENING_MM_S:.0f} mm/s",
        f.edge_mm_s <= OPENING_MM_S,
        Verdict.REFUSED,
        "Choose a slower drive, or fix it further from the hinge.",
    )
    return [closing, opening]


def _rest_rows(lid: Lid, drive: Drive, f: LidFigures) -> list[Row]:
    gap = max((name for size, name in BODY_GAPS if f.gap_m >= size), key=[n for _, n in BODY_GAPS].index, default="")
    return [
        _row(
            "SAF-9",
            "lifting the shut lid by hand at the front edge, drive unpinned",
            f"{f.front_lift_n:.0f} N",
            f"{HAND_LIFT_N:.0f} N",
            f.front_lift_n <= HAND_LIFT_N,
            Verdict.CONDITION,
            "Too heavy for one hand: fit a strut rated above the lid's weight, or split the lid.",
        ),
        Row(
            "SAF-10",
            "opening at the front edge",
            f"{f.gap_m * 1000:.0f} mm" + (f", room for a {gap}" if gap else ""),
            "",
            Verdict.REPORT,
            "Mesh over the gap keeps hens, pets and small hands out." if gap else "",
        ),
        _row(
            "SAF-12",
            "supply",
            f"{drive.supply_v:g} V d.c.",
            f"at most {EXTRA_LOW_V:g} V d.c.",
            0 < drive.supply_v <= EXTRA_LOW_V,
            Verdict.REFUSED,
            "Only extra-low voltage belongs on a frame.",
        ),
        Row(
            "",
            "pull of a storm at the front edge",
            f"{f.uplift_n:.0f} N at {lid.storm_m_s:.0f} m/s",
            "",
            Verdict.REPORT,
            f"Fit a hook or latch and a stay chain for at least {f.uplift_n:.0f} N; "
            "no drive should hold the lid in a storm."
            if f.uplift_n > 0
            else "",
        ),
    ]


def fittings(lid: Lid, drive: Drive, figures: LidFigures) -> dict[str, int]:
    """Lines for the board's fittings file that follow from the sizing; measure them at the bench check."""
    return {
        "travel_ms": round(figures.travel_s * 1000),
        "run_ma": round(drive.idle_a * 1000),
        "stall_ma": round(figures.limit_a * 1000),
        **({"shut_power_permille": math.floor(figures.closing_duty * 1000)} if figures.closing_duty < 1 else {}),
    }
