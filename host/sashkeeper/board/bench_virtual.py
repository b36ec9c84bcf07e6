"""The bench check on a simulated frame, with a simulated grower: to rehearse it, and to test it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from sashkeeper.board.bench_parts import Driven, Look

if TYPE_CHECKING:
    from framesim.virtual_frame import VirtualFrame

SLICE_MS = 100
BLIND_MS = 700
DEAD_MA, DEAD_MS = 30, 1_000
PAST_END_MS = 2_500


class VirtualBench:
    """The same promises as sash/boards/bench.py, kept on a VirtualFrame.

    reverse   the fitting of that name
    swapped_switches, dead_siren, no_radio: faults of the wiring that the frame itself does not have
    volts_share: what the measuring resistors make of the battery's voltage
    """

    def __init__(
        self,
        frame: VirtualFrame,
        reverse: int = 0,
        swapped_switches: bool = False,
        dead_siren: bool = False,
        no_radio: bool = False,
        volts_share: float = 1.0,
        deaf_hold: bool = False,
    ) -> None:
        self.frame = frame
        self.sounding = False
        self._swapped, self._dead_siren, self._no_radio = swapped_switches, dead_siren, no_radio
        self.opens = -1 if reverse else 1  # wire direction that opens, -1 with "reverse" in the fittings
        self._volts_share, self._deaf_hold = volts_share, deaf_hold

    def look(self) -> Look:
        """Read everything."""
        facts = self.frame.inputs()
        ends = (facts.at_shut, facts.at_open)
        at_shut, at_open = ends[::-1] if self._swapped else ends
        hold = 0 if self._deaf_hold else facts.hold
        return Look(
            facts.probes, at_shut, at_open, facts.motor_ma, round(facts.battery_mv * self._volts_share),
            facts.pot_permille, hold, facts.ack,
        )  # fmt: skip

    def wait(self, ms: int) -> None:
        """Let simulated time pass."""
        self.frame.advance(ms)

    def drive(self, direction: int, permille: int, ms: int, limit_ma: int, past_end: bool = False) -> Driven:
        """Drive until something ends it, as the board does."""
        ms = min(ms, PAST_END_MS) if past_end else ms
        passed = peak = high = idle = 0
        seen = self.look()
        lowest, stopped = seen.battery_mv, "time"
        while passed < ms:
            at_end = (seen.at_open if direction * self.opens > 0 else seen.at_shut) == 1
            if seen.hold or (at_end and not past_end):
                stopped = "hold" if seen.hold else "end"
                break
            self.frame.advance(SLICE_MS, direction, permille)
            passed += SLICE_MS
            seen = self.look()
            lowest = min(lowest, seen.battery_mv)
            if passed <= BLIND_MS:
                continue
            peak = max(peak, seen.motor_ma)
            high = high + 1 if seen.motor_ma > limit_ma else 0
            idle = idle + SLICE_MS if seen.motor_ma < DEAD_MA else 0
            if high >= 2 or idle >= DEAD_MS:
                stopped = "current" if high >= 2 else "no-current"
                break
        self.frame.advance(SLICE_MS)
        after = self.look()
        return Driven(stopped, passed, peak, lowest, after.at_shut, after.at_open, after.pot_permille)

    def siren(self, on: bool) -> None:
        """Switch the siren."""
        self.sounding = on and not self._dead_siren

    def radio(self) -> bool:
        """Return whether the network is joined."""
        return not self._no_radio


class VirtualGrower:
    """Does what is asked, on the simulated frame, and says what can be seen."""

    def __init__(self, bench: VirtualBench) -> None:
        self.asked: list[str] = []
        self._bench, self._frame = bench, bench.frame
        self._faults: dict[str, Any] = {}
        self._seen_permille = bench.frame.lid.lid_permille

    def _start(self, name: str, part: str, kind: str, options: Mapping[str, float | str] | None = None) -> None:
        from framesim.faults import Fault

        self._faults[name] = Fault(part, kind, dict(options or {}))
        self._frame.faults.start(self._faults[name])

    def _end(self, name: str) -> None:
        fault = self._faults.pop(name, None)
        if fault is not None:
            self._frame.faults.end(fault)

    def do(self, act: str, sentence: str) -> None:
        """Do it."""
        self.asked.append(act)
        self._seen_permille = self._frame.lid.lid_permille
        if act == "press-hold":
            self._start("hold", "hold", "pressed")
        elif act == "release-hold":
            self._end("hold")
        elif act.startswith("warm:"):
            self._start("hand", "probe-" + act[5:], "offset", {"k": 6.0})
        elif act == "let-go":
            self._end("hand")
        elif act == "stick":
            self._start("stick", "lid", "blocked", {"at_permille": 200.0, "direction": "shut"})
        elif act == "stick-out":
            self._end("stick")

    def sees(self, act: str, sentence: str) -> bool:
        """Look and say."""
        self.asked.append(act)
        before, self._seen_permille = self._seen_permille, self._frame.lid.lid_permille
        if act == "is-shut":
            return self._frame.lid.lid_permille < 10.0
        if act == "went-up":
            return self._seen_permille > before + 5.0
        return self._bench.sounding
