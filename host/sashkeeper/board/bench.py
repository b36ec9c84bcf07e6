"""The check before a lid may move on its own: each step a sentence, an expected range, pass or fail.

Order matters: first what makes the rest safe (hold, battery), then what does
not move (probes, end switches at rest), then short moves, then a whole travel, then the stick.
A step that fails where moving on could hurt ends the check.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from sashkeeper.board.bench_parts import OPEN, SHUT, Bench, Driven, Grower, Report, Result

# All chosen.
JOG_MS, JOG_PERMILLE = 2_000, 600
WARM_K, WARM_S = 1.5, 90
TRAVEL_SHARE = 0.25
RADIO_S = 60
BLOCKED_MS = 3_000  # chosen: longest that a motor may stand blocked
SAG_SHARE = 0.88  # of the rest voltage, while the lid moves
STALL_SHARE = 0.90  # the program's limit stays below this share of what the blocked motor draws
RUN_SHARE = 1.25  # and above the running current by this factor
RANGE_MV = {12: (11_500, 14_700), 24: (23_000, 29_400)}  # resting to charging, lead batteries
PLACES = {
    "air": "inside, at crop height",
    "air2": "inside, the second one",
    "soil": "in the soil",
    "outside": "outside",
}

Step = Callable[[Bench, Grower, Mapping[str, Any], Report], Result]


def check(bench: Bench, grower: Grower, fittings: Mapping[str, Any], told: Callable[[Result], None]) -> Report:
    """Walk through all steps; return what came out."""
    report = Report()
    for step, ends_all in STEPS:
        result = step(bench, grower, fittings, report)
        report.results.append(result)
        told(result)
        if ends_all and not result.passed:
            break
    return report


def hold(bench: Bench, grower: Grower, fittings: Mapping[str, Any], report: Report) -> Result:
    """HOLD is seen, and with it on nothing moves."""
    expected = "HOLD seen when pressed, no movement while it is, and gone when released"
    grower.do("press-hold", "Press HOLD. Keep hands out of the frame.")
    if not bench.look().hold:
        return Result("hold", False, "HOLD was pressed and the board did not see it", expected,
                      "Look at the wire between pin 'hold' and the switch's second pole.")  # fmt: skip
    before = bench.look()
    driven = bench.drive(OPEN, JOG_PERMILLE, 500, int(fittings.get("stall_ma", 3000)))
    if driven.stopped != "hold" or driven.ms or _moved(before.pot_permille, driven.pot_permille):
        return Result("hold", False, "the motor was driven although HOLD was pressed", expected,
                      "Do not go on. HOLD has to cut the motor's plus wire with its first pole.")  # fmt: skip
    grower.do("release-hold", "Release HOLD.")
    if bench.look().hold:
        return Result("hold", False, "HOLD was released and the board still sees it", expected,
                      "The second pole has to close to ground when HOLD is released; a broken wire reads as HOLD.",
                      )  # fmt: skip
    return Result("hold", True, "seen, obeyed, released", expected)


def battery(bench: Bench, grower: Grower, fittings: Mapping[str, Any], report: Report) -> Result:
    """The supply has the voltage that the fittings name."""
    nominal = int(fittings.get("supply_v", 12))
    low, high = RANGE_MV.get(nominal, RANGE_MV[12])
    found = bench.look().battery_mv
    report.measured["rest_mv"] = found
    expected = f"{low / 1000:.1f} to {high / 1000:.1f} V"
    advice = ""
    if found > high:
        advice = f"This is no {nominal} V supply, or the measuring resistors are swapped. Take it off before it burns."
    elif found < low:
        advice = "Charge the battery, look at fuse and clamps, and at the measuring resistors."
    return Result("battery", low <= found <= high, f"{found / 1000:.2f} V", expected, advice)


def probes(bench: Bench, grower: Grower, fittings: Mapping[str, Any], report: Report) -> Result:
    """Every probe that the fittings name answers."""
    wanted = list(fittings.get("probes", {"air": ""}))
    expected = "every probe answers: " + ", ".join(wanted)
    if "air" not in wanted:
        return Result("probes", False, "no air probe is named in the fittings", expected,
                      "Name one; without it the lid could only guess.")  # fmt: skip
    bench.wait(3_000)
    look = bench.look()
    bad = [f"{place}: {look.why(place)}" for place in wanted if look.degc(place) is None]
    advice = "Look at plug, wire and the 4.7 kOhm resistor; all probes silent means the bus itself." if bad else ""
    shown = ", ".join(f"{place} {look.degc(place):.1f} degC" for place in wanted if look.degc(place) is not None)
    return Result("probes", not bad, "; ".join(bad) or shown, expected, advice)


def warm_hand(bench: Bench, grower: Grower, fittings: Mapping[str, Any], report: Report) -> Result:
    """Each probe is where the fittings say: warmed by a hand, that one and no other rises."""
    wanted = list(fittings.get("probes", {"air": ""}))
    expected = "the probe in your hand is the one that gets warmer"
    if len(wanted) == 1:
        return Result("warm hand", True, "only one probe", expected)
    seen: dict[str, str] = {}
    for place in wanted:
        before = bench.look()
        grower.do(f"warm:{place}", f"Hold the probe that belongs {PLACES.get(place, place)} in your warm hand.")
        seen[place] = warmest(bench, wanted, {name: before.degc(name) for name in wanted})
        grower.do("let-go", "Let go of it.")
    wrong = {place: found for place, found in seen.items() if found != place}
    if not wrong:
        return Result("warm hand", True, "all in their places", expected)
    words = [_shows(place, found) for place, found in wrong.items()]
    roms = fittings.get("probes", {})
    fix = {"probes": {**roms, **{place: roms[found] for place, found in wrong.items()}}} if _swap(wrong, roms) else {}
    return Result("warm hand", False, "; ".join(words), expected,
                  "Swap their plugs or their codes in the fittings.", fix)  # fmt: skip


def _shows(place: str, found: str) -> str:
    probe = f"the probe {PLACES.get(place, place)}"
    return f"{probe} shows as {found!r}" if found else f"{probe} did not get warmer"


def _swap(wrong: Mapping[str, str], roms: Mapping[str, str]) -> bool:
    """Whether the wrong ones only changed places among themselves."""
    return sorted(wrong) == sorted(wrong.values()) and all(place in roms for place in wrong)


def warmest(bench: Bench, places: list[str], before: Mapping[str, float | None]) -> str:
    """Return the place whose reading rises by WARM_K first, "" when none does in time."""
    for _ in range(WARM_S):
        bench.wait(1_000)
        look = bench.look()
        rises = {}
        for place in places:
            now, then = look.degc(place), before[place]
            if now is not None and then is not None:
                rises[place] = now - then
        if rises and max(rises.values()) >= WARM_K:
            return max(rises, key=lambda place: rises[place])
    return ""


def ends_at_rest(bench: Bench, grower: Grower, fittings: Mapping[str, Any], report: Report) -> Result:
    """With the lid where the grower sees it, the right end switch is made."""
    expected = "lid shut: only SHUT made"
    if not fittings.get("end_switches", 1):
        return Result("end switches", True, "none fitted", expected)
    if not grower.sees("is-shut", "Is the lid fully shut? (If not, unpin the drive, shut it, pin it again.)"):
        return Result("end switches", False, "the lid is not shut", expected, "Shut it by hand and start again.")
    look = bench.look()
    made = (look.at_shut, look.at_open)
    if made == (1, 0):
        return Result("end switches", True, "SHUT made, OPEN not", expected)
    found, advice = {
        (0, 1): ("OPEN is made although the lid is shut: the end switches are swapped",
                 "Swap the two wires of the end switches at the board."),
        (1, 1): ("both are made: a wire is broken, or a switch is stuck", "Look at the OPEN switch and its wire."),
        (0, 0): ("none is made: SHUT is not reached by the lid, or its wire touches ground",
                 "Move the switch until the shut lid presses it."),
    }[made]  # fmt: skip
    return Result("end switches", False, found, expected, advice)


def direction(bench: Bench, grower: Grower, fittings: Mapping[str, Any], report: Report) -> Result:
    """ "Open" opens the lid."""
    expected = "the lid goes UP when told to open"
    sign, limit = _sign(fittings), int(fittings.get("stall_ma", 3000))
    grower.do("hands-out", "Hands out of the frame: the lid will move up a little.")
    # Past the ends, for two seconds and gently: with swapped wires "shut" opens, and SHUT is made.
    driven = bench.drive(OPEN * sign, JOG_PERMILLE, JOG_MS, limit, past_end=True)
    if grower.sees("went-up", "Did the lid go up?"):
        return Result("motor direction", True, "up", expected)
    other = bench.drive(SHUT * sign, JOG_PERMILLE, JOG_MS, limit, past_end=True)
    if grower.sees("went-up", "And now: did it go up?"):
        return Result("motor direction", False, "told to open it went down, told to shut it went up: the motor's wires "
                      "are swapped", expected, "Swap the two motor wires, or set \"reverse\" in the fittings.",
                      {"reverse": 0 if sign < 0 else 1})  # fmt: skip
    if driven.stopped == other.stopped == "no-current":
        return Result("motor direction", False, "no current either way", expected,
                      "Look at the motor's fuse, HOLD's first pole, and the wires of motor and driver.")  # fmt: skip
    if "current" in (driven.stopped, other.stopped):
        return Result("motor direction", False, f"it draws {max(driven.peak_ma, other.peak_ma) / 1000:.1f} A and does "
                      "not move", expected, "Look for a latch, a tie, ice or a weight on the lid.")  # fmt: skip
    return Result("motor direction", False, "the lid does not move", expected,
                  "Look at pin, bracket and the drive's own end switches.")  # fmt: skip


def _sign(fittings: Mapping[str, Any]) -> int:
    return -1 if fittings.get("reverse") else 1


def travel(bench: Bench, grower: Grower, fittings: Mapping[str, Any], report: Report) -> Result:
    """From shut to open and back, in the time that the fittings name, with the right switch at each end."""
    named, limit, sign = int(fittings.get("travel_ms", 40_000)), int(fittings.get("stall_ma", 3000)), _sign(fittings)
    expected = f"{named * (1 - TRAVEL_SHARE) / 1000:.0f} to {named * (1 + TRAVEL_SHARE) / 1000:.0f} s each way"
    most = int(named * 2.5)
    grower.do("hands-out", "Hands out of the frame: the lid will shut, open fully and shut again.")
    bench.drive(SHUT * sign, 1000, most, limit)
    up = bench.drive(OPEN * sign, 1000, most, limit)
    if not up.at_open and fittings.get("end_switches", 1):
        return _no_end(up, "OPEN", expected, report)
    bench.wait(1_000)
    down = bench.drive(SHUT * sign, 1000, most, limit)
    if not down.at_shut and fittings.get("end_switches", 1):
        return _no_end(down, "SHUT", expected, report)
    longest = max(up.ms, down.ms)
    report.measured.update(
        travel_ms=longest, run_ma=max(up.peak_ma, down.peak_ma), sag_mv=min(up.battery_mv, down.battery_mv)
    )
    good = abs(up.ms - named) <= named * TRAVEL_SHARE and abs(down.ms - named) <= named * TRAVEL_SHARE
    return Result("travel", good, f"{up.ms / 1000:.1f} s up, {down.ms / 1000:.1f} s down", expected,
                  "" if good else "Write the measured time into the fittings.", {} if good else {"travel_ms": longest},
                  )  # fmt: skip


def _no_end(driven: Driven, end: str, expected: str, report: Report) -> Result:
    report.measured["run_ma"] = driven.peak_ma
    if driven.stopped == "current":
        advice = "Look for what blocks the lid. If nothing does, the current limit may be too low for this lid."
        return Result(
            "travel", False, f"stopped by current ({driven.peak_ma / 1000:.1f} A) before {end}", expected, advice
        )
    return Result("travel", False, f"{end} was not made after {driven.ms / 1000:.0f} s ({driven.stopped})", expected,
                  f"Look at the {end} switch, its place and its wire.")  # fmt: skip


def stick(bench: Bench, grower: Grower, fittings: Mapping[str, Any], report: Report) -> Result:
    """A blocked lid stops by the current limit, and a free one does not."""
    limit, sign = int(fittings.get("stall_ma", 3000)), _sign(fittings)
    travel_ms = int(report.measured.get("travel_ms", fittings.get("travel_ms", 40_000)))
    run_ma = int(report.measured.get("run_ma", 0))
    bench.drive(OPEN * sign, 1000, travel_ms // 2, limit)
    grower.do(
        "stick", "Lay a wooden stick as thick as a wrist across the front edge. Hands out: the lid will shut on it."
    )
    # A blocked motor that never reaches the limit shows what it draws; the time ends it before it gets hot.
    driven = bench.drive(SHUT * sign, 1000, travel_ms // 2 + BLOCKED_MS, limit)
    bench.drive(OPEN * sign, 1000, travel_ms // 5, limit)
    grower.do("stick-out", "The lid has let go. Take the stick out.")
    bench.drive(SHUT * sign, 1000, travel_ms * 2, limit)
    report.measured["blocked_ma"] = driven.peak_ma
    expected = f"stops at {limit / 1000:.1f} A, running current at most {limit / RUN_SHARE / 1000:.1f} A"
    if driven.stopped != "current":
        advice, fix = _lower_limit(run_ma, driven.peak_ma)
        return Result("stick", False, f"the blocked motor draws {driven.peak_ma / 1000:.1f} A and was not stopped: the "
                      f"limit of {limit / 1000:.1f} A is too high", expected, advice, fix)  # fmt: skip
    if run_ma * RUN_SHARE > limit:
        found = f"the running current of {run_ma / 1000:.1f} A is too near to the limit"
        return Result("stick", False, found, expected,
                      "A cold morning would stop the lid. Ease the hinge, or see what sashkeeper size lid allows.",
                      )  # fmt: skip
    return Result("stick", True, f"stopped at {driven.peak_ma / 1000:.1f} A after {driven.ms / 1000:.1f} s", expected)


def _lower_limit(run_ma: int, blocked_ma: int) -> tuple[str, dict[str, int]]:
    low, high = int(run_ma * RUN_SHARE), int(blocked_ma * STALL_SHARE)
    if low >= high:
        return "Running and blocked current are too near to each other: the current sensing cannot protect.", {}
    return f'Set "stall_ma" between {low} and {high}, as low as the lid allows.', {"stall_ma": min(high, low * 6 // 5)}


def siren(bench: Bench, grower: Grower, fittings: Mapping[str, Any], report: Report) -> Result:
    """The siren is heard."""
    bench.siren(True)
    heard = grower.sees("hears-siren", "The siren is on. Do you hear it?")
    bench.siren(False)
    return Result("siren", heard, "heard" if heard else "not heard", "heard from the house",
                  "" if heard else "Look at its wires, its transistor and the 10 kOhm resistor.")  # fmt: skip


def sag(bench: Bench, grower: Grower, fittings: Mapping[str, Any], report: Report) -> Result:
    """The battery holds up while the lid moves."""
    rest, low = int(report.measured.get("rest_mv", 0)), int(report.measured.get("sag_mv", 0))
    if not rest or not low:
        return Result("battery under load", False, "not measured", "", "The lid has to travel first.", safety=False)
    good = low >= SAG_SHARE * rest
    return Result("battery under load", good, f"{low / 1000:.2f} V while moving, {rest / 1000:.2f} V at rest",
                  f"at least {SAG_SHARE * rest / 1000:.2f} V", "" if good else
                  "Thicker or shorter wire, tighter clamps, or a fresher battery; see sashkeeper size power.",
                  safety=False)  # fmt: skip


def radio(bench: Bench, grower: Grower, fittings: Mapping[str, Any], report: Report) -> Result:
    """The network is reached from where the frame stands."""
    expected = f"network joined within {RADIO_S} s"
    if not fittings.get("wifi"):
        return Result("radio", True, "no network in the fittings", expected,
                      "The frame keeps its lid right, and can call nobody.", safety=False, left_out=True)  # fmt: skip
    for second in range(RADIO_S):
        if bench.radio():
            return Result("radio", True, f"joined after {second} s", expected, safety=False)
        bench.wait(1_000)
    return Result("radio", False, "not joined", expected,
                  "Look at name and password, and how far the access point is.", safety=False)  # fmt: skip


def _moved(before: int, after: int) -> bool:
    """Whether a potentiometer, if there is one, has moved."""
    return before >= 0 and after >= 0 and abs(after - before) > 20


# (step, whether going on after a failure could hurt or tell nothing)
STEPS: tuple[tuple[Step, bool], ...] = (
    (hold, True), (battery, True), (probes, False), (warm_hand, False), (ends_at_rest, True), (direction, True),
    (travel, True), (stick, False), (siren, False), (sag, False), (radio, False),
)  # fmt: skip
