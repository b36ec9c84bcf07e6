"""Is this lid safe with this drive?

Puts weight, place of the drive, snow, wind and ice together and judges them
by the safety rows of hardware/cautions.md. Left out: shock of a lid that is
stopped dead, friction, and a lid that twists; so keep the margins.
"""

from __future__ import annotations

from dataclasses import dataclass

from sashkeeper.sizing import linkage, loads
from sashkeeper.sizing.linkage import Place

CLOSING_EDGE_N = 150.0  # Source: guidance on powered windows (after EN 12453: static force after 0.75 s).
CLOSING_AIM_N = 80.0  # chosen: what we aim for
CLOSING_MM_S, OPENING_MM_S = 15.0, 50.0  # Source: guidance on powered windows.
GUARDED_GAP_M = 0.200  # Source: as above: below this opening more force may be accepted, if recorded.
LIMIT_MARGIN = 1.25  # chosen: the current limit above the highest working current
LEAST_MARGIN = 1.05  # chosen: with less the limit trips on every gust and every cold morning
HARDWARE_SHARE = 0.95  # chosen: the program's limit stays this far below the motor driver's own
MIN_DUTY = 0.40  # chosen: a worm or spindle drive hardly turns below this share of full power
DEPTHS = (1.0, 0.5, 0.2)  # shares of the lid's depth at which the closing force is stated


@dataclass(frozen=True)
class Drive:
    """A linear drive as its maker rates it.

    no_load_a and stall_a may be left out; then 0.3 and 2.5 times the rated current stand in.
    Source: permanent-magnet motor, current rises in a line with force; no load about 0.2-0.4, stall about
    2-4 times the full-load current; general facts, typed from memory: measure yours.
    """

    force_n: float
    speed_mm_s: float
    rated_a: float
    supply_v: float = 12.0
    no_load_a: float | None = None
    stall_a: float | None = None
    hardware_limit_a: float | None = None  # limit of the motor driver itself, or of a clutch in ampere terms

    @property
    def idle_a(self) -> float:
        """Current [A] while running free."""
        return self.no_load_a if self.no_load_a is not None else 0.3 * self.rated_a

    @property
    def stalled_a(self) -> float:
        """Current [A] while blocked."""
        return self.stall_a if self.stall_a is not None else 2.5 * self.rated_a

    def current_a(self, force_n: float) -> float:
        """Current [A] at a force: I0 + F (Ir - I0) / Fr."""
        return self.idle_a + max(force_n, 0.0) * (self.rated_a - self.idle_a) / self.force_n

    def force_at_n(self, current_a: float) -> float:
        """Force [N] at a current, the other way round."""
        return max(current_a - self.idle_a, 0.0) * self.force_n / (self.rated_a - self.idle_a)

    @property
    def worst_n(self) -> float:
        """Force [N] that the drive can reach when no program stops it."""
        limit = self.stalled_a if self.hardware_limit_a is None else min(self.hardware_limit_a, self.stalled_a)
        return self.force_at_n(limit)


@dataclass(frozen=True)
class Lid:
    """The lid and what may lie on it."""

    depth_m: float
    width_m: float
    mass_kg: float
    slope_deg: float = 10.0  # of the shut lid, falling towards the front
    open_deg: float = 30.0  # how far it turns
    open_wind_m_s: float = 8.0  # gust against which it must still open
    shut_wind_m_s: float = 12.0  # gust against which it must still shut
    storm_m_s: float = 25.0  # gust that it must stand while shut
    snow_kpa: float = 0.0
    ice_mm: float = 0.0
    slotted: bool = False  # the drive only pushes; the lid falls shut by its own weight
    guarded: bool = False  # the grower has recorded that the gap is guarded

    @property
    def shut_deg(self) -> float:
        """Angle of the shut lid from the horizontal."""
        return -self.slope_deg

    @property
    def top_deg(self) -> float:
        """Angle of the open lid from the horizontal."""
        return self.open_deg - self.slope_deg

    @property
    def gap_m(self) -> float:
        """Opening [m] at the front edge: the chord."""
        return linkage.length_m(Place(self.depth_m, self.depth_m, 0.0), self.open_deg)


@dataclass(frozen=True)
class LidFigures:
    """What came out; forces in N, moments in N m about the hinge."""

    moment_nm: float  # own weight, shut
    front_lift_n: float  # hand force at the front edge that lifts the shut lid
    stroke_m: float
    shut_length_m: float
    least_arm_m: float
    greatest_arm_m: float
    weight_force_n: float  # drive force for the bare lid, worst angle
    opening_n: float  # drive force with the wind pressing on the lid, worst angle
    pulling_n: float  # drive force that pulls the lid shut while the wind lifts it
    loaded_force_n: float  # with snow and ice on it, worst angle
    working_a: float
    limit_a: float  # current limit for the program
    safe_limit_a: float  # greatest current that keeps the closing edge at 150 N
    edge_limit_n: float  # closing force at the edge, stopped by that limit
    closing_n: tuple[float, float, float]  # with nothing but hardware to stop it, at 100, 50, 20 % of the depth
    edge_mm_s: float  # closing edge at full power, worst angle
    closing_duty: float  # share of full power that keeps the edge slow enough
    travel_s: float  # shut to open
    shutting_s: float  # open to shut, slowed by closing_duty
    uplift_n: float  # storm, at the front edge, own weight taken off
    gap_m: float


def work_out(lid: Lid, drive: Drive, place: Place) -> LidFigures:
    """All figures of one lid, drive and place."""
    angles = linkage.travel(lid.shut_deg, lid.top_deg)
    arms = [linkage.arm_m(place, angle) for angle in angles]
    found = linkage.fit(place, lid.shut_deg, lid.top_deg)
    press, lift, storm = (
        loads.pressure_moment_nm(loads.wind_pressure_pa(speed), lid.width_m, lid.depth_m)
        for speed in (lid.open_wind_m_s, lid.shut_wind_m_s, lid.storm_m_s)
    )
    weight = [loads.weight_moment_nm(lid.mass_kg, lid.depth_m, angle) for angle in angles]
    burden_kpa = lid.snow_kpa + loads.ice_kpa(lid.ice_mm)
    burden = [loads.snow_moment_nm(burden_kpa, lid.width_m, lid.depth_m, angle) for angle in angles]
    safe_arms = [max(abs(arm), 1e-3) for arm in arms]

    weight_force = max(w / a for w, a in zip(weight, safe_arms, strict=True))
    opening = max((w + press) / a for w, a in zip(weight, safe_arms, strict=True))
    pulling = 0.0 if lid.slotted else max((lift - w) / a for w, a in zip(weight, safe_arms, strict=True))
    loaded = max((w + b) / a for w, b, a in zip(weight, burden, safe_arms, strict=True))
    working_a = drive.current_a(max(opening, pulling))
    speeds = [linkage.edge_speed_mm_s(place, angle, drive.speed_mm_s, lid.depth_m) for angle in angles]

    def edge_n(pull_n: float) -> float:
        """Closing force at the front edge: the lid's weight and, on a pin, the drive's pull."""
        pull = 0.0 if lid.slotted else pull_n
        return max(w + pull * a for w, a in zip(weight, safe_arms, strict=True)) / lid.depth_m

    worst = edge_n(drive.worst_n)
    safe_pull = min((CLOSING_EDGE_N * lid.depth_m - w) / a for w, a in zip(weight, safe_arms, strict=True))
    safe_a = drive.current_a(safe_pull) if safe_pull > 0 else 0.0
    # Keep the margin where safety and the driver leave it: a driver that limits earlier hides the stall from us.
    ceiling = min(safe_a, HARDWARE_SHARE * drive.hardware_limit_a) if drive.hardware_limit_a else safe_a
    limit_a = max(min(LIMIT_MARGIN * working_a, ceiling), LEAST_MARGIN * working_a)
    return LidFigures(
        moment_nm=weight[0],
        front_lift_n=weight[0] / lid.depth_m,
        stroke_m=found.stroke_m,
        shut_length_m=found.shut_m,
        least_arm_m=found.least_arm_m,
        greatest_arm_m=found.greatest_arm_m,
        weight_force_n=weight_force,
        opening_n=opening,
        pulling_n=max(pulling, 0.0),
        loaded_force_n=loaded,
        working_a=working_a,
        limit_a=limit_a,
        safe_limit_a=safe_a,
        edge_limit_n=edge_n(drive.force_at_n(limit_a)),
        closing_n=(worst, worst / DEPTHS[1], worst / DEPTHS[2]),
        edge_mm_s=max(speeds),
        closing_duty=min(1.0, CLOSING_MM_S / max(speeds)),
        travel_s=found.stroke_m * 1000.0 / drive.speed_mm_s,
        shutting_s=found.stroke_m * 1000.0 / drive.speed_mm_s / min(1.0, CLOSING_MM_S / max(speeds)),
        uplift_n=max(storm - weight[0], 0.0) / lid.depth_m,
        gap_m=lid.gap_m,
    )


def snow_limit_m(lid: Lid, drive: Drive, place: Place, density_kg_m3: float) -> float:
    """Depth [m] of snow of this density that the drive, at its rated force, can still lift."""
    arm = max(abs(linkage.arm_m(place, lid.shut_deg)), 1e-3)
    spare_nm = drive.force_n * arm - loads.weight_moment_nm(lid.mass_kg, lid.depth_m, lid.shut_deg)
    per_kpa = loads.snow_moment_nm(1.0, lid.width_m, lid.depth_m, lid.shut_deg)
    return max(spare_nm, 0.0) / per_kpa / (density_kg_m3 * loads.GRAVITY_M_S2 / 1000.0)
