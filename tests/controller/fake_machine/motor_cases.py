"""Cases for the real boards: the motor, and what stops it."""

import machine
from board_desk import AIR, COOL, LATER, SOIL, WARM, actions, main, make, now, wait

from sash.boards import h_bridge


def case_motor_low_first():
    """The first thing done to any pin is to put the motor's three pins low."""
    _, numbers = make()
    first = machine.history[:3]
    assert sorted(first) == sorted([(numbers[r], 0) for r in ("motor_enable", "motor_open", "motor_shut")]), first


def case_soft_start_and_stop():
    """Power rises over half a second to the wanted duty, and stop is at once."""
    board, numbers = make()
    board.apply(actions(1, 800))
    start = machine.duties[numbers["motor_open"]]
    assert start == 65535 * 250 // 1000, start
    wait(board, 200)
    middle = machine.duties[numbers["motor_open"]]
    wait(board, 600)
    full = machine.duties[numbers["motor_open"]]
    assert start < middle < full == 65535 * 800 // 1000
    assert machine.duties[numbers["motor_shut"]] == 0
    assert machine.levels[numbers["motor_enable"]] == 1
    board.apply(actions(0))
    assert (machine.duties[numbers["motor_open"]], machine.levels[numbers["motor_enable"]]) == (0, 0)


def case_reversing_pauses():
    """A change of direction goes through a pause without power; never both inputs at once."""
    board, numbers = make()
    board.apply(actions(1))
    wait(board, 1000)
    board.apply(actions(-1))
    assert machine.levels[numbers["motor_enable"]] == 0
    assert machine.duties[numbers["motor_shut"]] == 0
    wait(board, h_bridge.PAUSE_MS + 40)
    assert machine.duties[numbers["motor_shut"]] > 0
    assert machine.duties[numbers["motor_open"]] == 0


def case_swapped_wires_still_stop_at_the_right_end():
    """With the fitting reverse the core has turned the direction; each way stops at the end it leads to."""
    board, numbers = make(reverse=1)
    machine.levels[numbers["at_open"]] = 1  # wire direction -1 opens here
    board.apply(actions(-1))
    assert machine.levels[numbers["motor_enable"]] == 0
    board.apply(actions(1))
    assert machine.duties[numbers["motor_open"]] > 0


def case_end_switch_stops_within_a_slice():
    """An end that is made stops the motor within 20 ms and ends the waiting early."""
    board, numbers = make()
    board.apply(actions(1))
    began = now[0]
    LATER.append((began + 1000, lambda: machine.levels.update({numbers["at_open"]: 1})))
    passed = wait(board, 5000)
    assert 1000 <= passed <= 1040, passed
    assert machine.levels[numbers["motor_enable"]] == 0
    board.apply(actions(1))  # the core may still ask: nothing moves into the end
    assert machine.levels[numbers["motor_enable"]] == 0
    board.apply(actions(-1))  # but away from it
    wait(board, 400)
    assert machine.duties[numbers["motor_shut"]] > 0


def case_broken_end_switch_wire_stops():
    """A broken wire reads as made (contacts are normally closed), so the lid stops rather than drives on."""
    board, numbers = make()
    machine.levels[numbers["at_shut"]] = 1
    machine.levels[numbers["at_open"]] = 1
    for direction in (1, -1):
        board.apply(actions(direction))
        assert machine.levels[numbers["motor_enable"]] == 0


def case_hold_stops_at_once():
    """Hold stops the motor within a slice, ends the waiting, and no action moves it while it lasts."""
    board, numbers = make()
    board.read()
    board.apply(actions(-1))
    LATER.append((now[0] + 300, lambda: machine.levels.update({numbers["hold"]: 1})))
    passed = wait(board, 5000)
    assert 300 <= passed <= 340, passed
    assert machine.levels[numbers["motor_enable"]] == 0
    assert board.read().hold == 1
    for direction in (1, -1):
        board.apply(actions(direction))
        assert machine.levels[numbers["motor_enable"]] == 0


def case_hold_seen_at_rest():
    """At rest hold is seen within a tenth of a second, too."""
    board, numbers = make()
    board.read()
    LATER.append((now[0] + 500, lambda: machine.levels.update({numbers["hold"]: 1})))
    assert wait(board, 5000) <= 620


def case_current_of_the_start_is_left_out():
    """The inrush of a starting motor is not taken for a stall; a stall later is."""
    board, numbers = make()
    machine.mv[numbers["motor_current"]] = 2500  # 5 A inrush
    board.apply(actions(1))
    wait(board, 600)
    machine.mv[numbers["motor_current"]] = 300
    wait(board, 600)
    assert board.read().motor_ma == 600
    machine.mv[numbers["motor_current"]] = 2500
    wait(board, 200)
    assert board.read().motor_ma == 5000


def case_bench_drives_end_by_themselves():
    """A bench drive ends at its time, an end, hold, too much current or none, always with the power off."""
    from sash.boards.bench import Bench

    board, numbers = make(watchdog=0)
    assert machine.state["watchdog_ms"] == 0
    bench = Bench(board)
    running = {numbers["motor_current"]: 400}

    def off():
        return machine.levels[numbers["motor_enable"]] == 0

    machine.mv.update(running)
    done = bench.drive(1, 1000, 2000, 3000)
    assert (done["stopped"], done["peak_ma"]) == ("time", 800), done
    assert off()
    assert 2000 <= done["ms"] <= 2040
    LATER.append((now[0] + 1500, lambda: machine.mv.update({numbers["motor_current"]: 2000})))
    done = bench.drive(1, 1000, 9000, 3000)
    assert done["stopped"] == "current", done
    assert off()
    assert done["ms"] <= 1600
    machine.mv.update({numbers["motor_current"]: 0})
    done = bench.drive(1, 1000, 9000, 3000)
    assert done["stopped"] == "no-current", done
    assert off()
    machine.mv.update(running)
    LATER.append((now[0] + 900, lambda: machine.levels.update({numbers["at_open"]: 1})))
    done = bench.drive(1, 1000, 9000, 3000)
    assert (done["stopped"], done["at_open"]) == ("end", 1), done
    assert off()
    done = bench.drive(1, 1000, 9000, 3000, 1)  # past the end, but never for long
    assert (done["stopped"], done["ms"] <= 2540) == ("time", True), done
    assert bench.drive(1, 1000, 9000, 3000)["stopped"] == "end"
    machine.levels[numbers["hold"]] = 1
    done = bench.drive(-1, 1000, 9000, 3000)
    assert (done["stopped"], done["ms"]) == ("hold", 0), done
    assert off()


def case_bench_looks():
    """Looking gives plain data, probes as digits after a conversion."""
    from sash.boards.bench import Bench

    board, numbers = make(watchdog=0)
    bench = Bench(board)
    bench.wait(1500)
    seen = bench.look()
    assert seen["probes"] == {"air": WARM.hex(), "soil": COOL.hex()}, seen
    assert (seen["hold"], seen["at_shut"], seen["at_open"]) == (0, 0, 0)
    assert bench.found() == sorted([AIR, SOIL])
    bench.siren(1)
    assert machine.levels[numbers["siren"]] == 1
    bench.siren(0)
    assert machine.levels[numbers["siren"]] == 0
    assert bench.radio() == 0


if __name__ == "__main__":
    main(globals())
