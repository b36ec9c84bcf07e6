"""What the lid and its motor physically do, step by step.

A screw motor pushes an arm; the arm lifts the lid through a stiff spring (the give
of wood, brackets and whatever is in the way). The screw holds by itself when
the motor is off. Position is the share of the arm's travel in permille; angles are
taken as proportional to it. Not modelled: swinging, slamming, breakage.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from framesim.faults import NOWHERE, Fault, Faults

GRAVITY_M_S2 = 9.81
FULL_PERMILLE = 1000.0
STEP_MS = 200  # longest mechanical step while something moves
SURGE_MS = 80.0  # starting surge dies away with this time constant (chosen)
RATED_V = 12.0


@dataclass(frozen=True)
class LidParts:
    """A lid with its motor. Defaults: the 1.2 x 1.2 m reference lid, a small 12 V screw motor.

    Lid mass: 1.44 m2 of twin-wall sheet at 1.3 kg/m2 and 6.0 m of 45 x 45 mm softwood at 450 kg/m3.
    Motor currents: stall about 2 to 4 times full load, no load about 0.2 to 0.4 of full load
    (permanent-magnet motor, general facts, from memory); the values are chosen inside that.
    """

    mass_kg: float = 7.34
    length_m: float = 1.2  # hinge to front edge
    width_m: float = 1.2
    slope_deg: float = 14.0  # front edge below the hinge when shut
    open_angle_deg: float = 45.0  # between shut and fully open
    attach_m: float = 0.5  # along the lid, hinge to arm
    pivot_x_m: float = 0.35  # lower pivot, in front of the hinge
    pivot_y_m: float = -0.30
    travel_ms: float = 40_000.0  # shut to open at 12 V with the lid's own weight
    stall_n: float = 1500.0
    idle_ma: float = 250.0
    stall_ma: float = 3300.0
    end_stops: bool = True  # switches inside the motor cut its current at both ends
    give_n_per_mm: float = 50.0  # at the front edge (chosen: wood and rubber seal)
    switch_permille: float = 3.0  # an end switch is made this close to its end
    switches_on: str = "lid"  # "lid": on the rim; "motor": inside the arm
    reverse: bool = False  # wired the other way round on purpose, as the fittings say


@dataclass
class Surroundings:
    """What acts on the lid during a step."""

    volts: float = RATED_V
    wind_m_s: float = 0.0  # at the lid
    snow_kg: float = 0.0
    temp_degc: float = 10.0  # of the seal


class LidMechanics:
    """Arm, lid and motor. `arm_permille` is what the motor has done, `lid_permille` where the lid is."""

    def __init__(self, parts: LidParts | None = None, faults: Faults | None = None) -> None:
        self.parts = parts or LidParts()
        self.faults = faults if faults is not None else Faults()
        self.arm_permille = 0.0
        self.lid_permille = 0.0
        self.motor_ma = 0.0  # at the end of the last step
        self.peak_ma = 0.0  # highest since the motor last started
        self.edge_n = 0.0  # force at the front edge on what blocks it
        self.peak_edge_n = 0.0  # highest while shutting since the motor last started
        self.opened_count = 0  # times the lid left its shut end
        self.running_ms = 0.0  # since the motor last started
        self._last_motor = 0
        self._relay = 0  # what it last connected
        self._free_speed = self._speed_without_load()
        self._mm_per_permille = 1000 * self.parts.length_m * math.radians(self.parts.open_angle_deg) / FULL_PERMILLE

    def __repr__(self) -> str:
        return f"<Lid {self.lid_permille:.0f} permille, arm {self.arm_permille:.0f}, {self.motor_ma:.0f} mA>"

    @property
    def at_shut(self) -> int:
        """1 while the shut switch is made."""
        return self._switch("switch-shut", self._switch_position() <= self.parts.switch_permille)

    @property
    def at_open(self) -> int:
        """1 while the open switch is made."""
        return self._switch("switch-open", self._switch_position() >= FULL_PERMILLE - self.parts.switch_permille)

    def advance(self, dt_ms: float, motor: int, duty_permille: int, around: Surroundings) -> bool:
        """Let `dt_ms` (at most STEP_MS while the motor runs) pass; True when arm or lid moved."""
        arm_before, lid_before = self.arm_permille, self.lid_permille
        if motor == 0:
            duty_permille = 1000  # what a stuck relay gives
        motor = self._wired(motor)
        if motor != self._last_motor:
            self.running_ms = 0.0
            if motor:
                self.peak_ma = self.peak_edge_n = 0.0
            self._last_motor = motor
        self.motor_ma = 0.0
        if motor:
            self._drive(dt_ms, motor, duty_permille / FULL_PERMILLE, around)
            self.running_ms += dt_ms
            self.peak_ma = max(self.peak_ma, self.motor_ma)
        self._place_lid(around)
        if motor < 0:
            self.peak_edge_n = max(self.peak_edge_n, self.edge_n)
        if lid_before <= self.parts.switch_permille < self.lid_permille:
            self.opened_count += 1
        return self.arm_permille != arm_before or self.lid_permille != lid_before

    # --- motor -----------------------------------------------------------------------------

    def _wired(self, motor: int) -> int:
        """The direction that really reaches the motor."""
        if self.faults.find("motor", "broken-wire") or self.faults.of("hold"):
            return 0  # the hold switch is in series with the motor's plus wire
        if motor == 0:
            return self._relay if self.faults.find("motor", "relay-stuck") else 0
        reverse = self.parts.reverse != (self.faults.find("motor", "wrong-way") is not None)
        self._relay = -motor if reverse else motor
        return self._relay

    def _drive(self, dt_ms: float, motor: int, duty: float, around: Surroundings) -> None:
        parts = self.parts
        short = self.faults.find("motor", "short")
        if short:
            self.motor_ma = short.number("ma") * duty
            return
        ended = self.arm_permille >= FULL_PERMILLE if motor > 0 else self.arm_permille <= 0.0
        power = duty * around.volts / RATED_V
        if ended and parts.end_stops:
            return
        weak = self.faults.find("motor", "weak")
        stall_n = parts.stall_n * (weak.number("share") if weak else 1.0)
        needed_n = self._needed_n(motor, around)
        load = needed_n / stall_n
        drive = max(0.0, power - max(0.0, load))  # speed falls in a straight line to zero at stall
        moved = 0.0 if ended else self._free_speed * drive * dt_ms
        moved = min(moved, self._travel_left(motor, stall_n * power, around))
        self.arm_permille = min(FULL_PERMILLE, max(0.0, self.arm_permille + motor * moved))
        running_ma = parts.idle_ma * (0.8 if load < 0 else 1.0) * power
        running_ma += (parts.stall_ma - parts.idle_ma) * min(power, max(0.0, load))
        stalled_ma = parts.stall_ma * power
        if drive <= 0.0 or ended:
            running_ma = stalled_ma
        surge = math.exp(-(self.running_ms + dt_ms) / SURGE_MS)
        self.motor_ma = running_ma + (stalled_ma - running_ma) * surge

    def _needed_n(self, motor: int, around: Surroundings) -> float:
        """Force the arm has to push with, in the direction it is going [N]; negative: it is being pushed."""
        needed = motor * self.load_n(around)
        spring = self._edge_force() * self.parts.length_m / self.arm_length_m(self.lid_permille)
        stretched = self.arm_permille - self.lid_permille
        if not self.faults.find("lid", "arm-off"):
            needed += spring if stretched * motor > 0 else -spring
        stiff = self.faults.find("lid", "stiff")
        return needed + (stiff.number("extra_n") if stiff else 0.0)

    def _travel_left(self, motor: int, force_n: float, around: Surroundings) -> float:
        """How far the arm gets before the spring against a blocked lid stalls the motor [permille]."""
        low, high = self._barriers(around)
        if self.faults.find("lid", "arm-off"):
            return FULL_PERMILLE
        barrier = high if motor > 0 else low
        clear = max(0.0, motor * (barrier - self.arm_permille))
        if (barrier >= FULL_PERMILLE and motor > 0) or (barrier <= 0.0 and motor < 0):
            return FULL_PERMILLE
        at_edge_n = (force_n - motor * self.load_n(around)) * self.arm_length_m(barrier) / self.parts.length_m
        give = max(0.0, at_edge_n) / self.parts.give_n_per_mm / self._mm_per_permille
        past = max(0.0, motor * (self.arm_permille - barrier))
        return clear + max(0.0, give - past)

    def _speed_without_load(self) -> float:
        """Arm speed [permille/ms] that lifts the bare lid in travel_ms."""
        middle = self._dead_n(FULL_PERMILLE / 2) / self.parts.stall_n
        return FULL_PERMILLE / self.parts.travel_ms / (1.0 - middle)

    # --- lid -------------------------------------------------------------------------------

    def angle_deg(self, permille: float) -> float:
        """Lid angle from the horizontal; negative while the front edge is below the hinge."""
        return permille / FULL_PERMILLE * self.parts.open_angle_deg - self.parts.slope_deg

    def arm_length_m(self, permille: float) -> float:
        """Lever of the arm about the hinge [m]. Source: statics, |Bx Py - By Px| / length."""
        angle = math.radians(self.angle_deg(permille))
        bx, by = self.parts.attach_m * math.cos(angle), self.parts.attach_m * math.sin(angle)
        px, py = self.parts.pivot_x_m, self.parts.pivot_y_m
        return abs(bx * py - by * px) / math.hypot(bx - px, by - py)

    def load_n(self, around: Surroundings) -> float:
        """Force of weight, snow and wind along the arm [N], positive pushes the lid shut."""
        at = self.lid_permille
        if self.faults.find("lid", "arm-off"):
            return 0.0
        parts = self.parts
        weights = sum(fault.number("kg") for fault in self.faults.of("lid") if fault.kind == "weight")
        extra_kg = around.snow_kg + weights
        shutting_nm = extra_kg * GRAVITY_M_S2 * parts.length_m / 2 * math.cos(math.radians(self.angle_deg(at)))
        # Velocity pressure 0.613 V^2 [Pa] on the whole lid, net coefficient 0.3 shut to 1.0 open.
        # Source: ASCE 7 velocity pressure constant (SI), from memory; coefficients chosen.
        share = 0.3 + 0.7 * min(1.0, at / 300.0)
        lifting_nm = 0.613 * around.wind_m_s**2 * share * parts.length_m**2 * parts.width_m / 2
        return self._dead_n(at) + (shutting_nm - lifting_nm) / self.arm_length_m(at)

    def _dead_n(self, permille: float) -> float:
        moment = self.parts.mass_kg * GRAVITY_M_S2 * self.parts.length_m / 2
        return moment * math.cos(math.radians(self.angle_deg(permille))) / self.arm_length_m(permille)

    def _edge_force(self) -> float:
        return abs(self.arm_permille - self.lid_permille) * self._mm_per_permille * self.parts.give_n_per_mm

    def _place_lid(self, around: Surroundings) -> None:
        """Put the lid where arm, wind, hands and obstacles let it be."""
        lifted = self._lifted(around)
        low, high = self._barriers(around)
        if lifted is not None:
            self.lid_permille = min(high, max(low, lifted))
            self.edge_n = 0.0
            return
        if self.faults.find("lid", "arm-off"):
            self.lid_permille = max(0.0, low)
            self.edge_n = 0.0
            return
        self.lid_permille = min(high, max(low, self.arm_permille))
        self.edge_n = self._edge_force()
        ice = self.faults.find("lid", "ice")
        if ice and self.edge_n >= ice.number("bond_n"):
            ice.memory["broken"] = 1.0
            self.lid_permille, self.edge_n = self.arm_permille, 0.0

    def _lifted(self, around: Surroundings) -> float | None:
        by_hand = self.faults.find("lid", "lifted")
        if by_hand:
            return by_hand.number("to_permille")
        loose = self.faults.find("lid", "wind-lift")
        if loose is None:
            return None
        if around.wind_m_s >= loose.number("wind_m_s"):
            loose.memory["up"] = 1.0
        elif around.wind_m_s < loose.number("wind_m_s") / 2:
            loose.memory["up"] = 0.0
        return max(self.arm_permille, loose.number("to_permille")) if loose.memory.get("up") else None

    def _barriers(self, around: Surroundings) -> tuple[float, float]:
        """Lowest and highest place the lid can have now [permille]."""
        low, high = 0.0, FULL_PERMILLE
        for fault in self.faults.of("lid"):
            if fault.kind == "latch" and self.lid_permille <= fault.number("slack_permille"):
                high = min(high, fault.number("slack_permille"))
            elif fault.kind == "ice" and self._frozen(fault, around):
                high = min(high, 0.0)
            elif fault.kind == "blocked":
                low, high = self._blocked(fault, low, high)
        return low, high

    def _frozen(self, fault: Fault, around: Surroundings) -> bool:
        if around.temp_degc > fault.number("thaws_degc"):
            fault.memory["broken"] = 1.0
        return not fault.memory.get("broken") and self.lid_permille <= self.parts.switch_permille

    def _blocked(self, fault: Fault, low: float, high: float) -> tuple[float, float]:
        at = fault.number("at_permille")
        if at == NOWHERE:
            at = fault.memory.setdefault("at", self.lid_permille)
        direction = fault.word("direction")
        if self.lid_permille <= at and direction in ("open", "both"):
            high = min(high, at)
        if self.lid_permille >= at and direction in ("shut", "both"):
            low = max(low, at)
        return low, high

    # --- switches --------------------------------------------------------------------------

    def _switch_position(self) -> float:
        return self.lid_permille if self.parts.switches_on == "lid" else self.arm_permille

    def _switch(self, part: str, made: bool) -> int:
        for fault in self.faults.of(part):
            return 1 if fault.kind == "stuck-on" else 0
        return 1 if made else 0
