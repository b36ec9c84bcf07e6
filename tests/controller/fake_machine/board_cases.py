"""Cases for the real boards, each a function; run as: board_cases.py FAMILY CASE

Runs on MicroPython and CPython, with sash and this folder on the path. Time is
a number here: nothing sleeps. Prints "ok" at the end.
"""

import asyncio
import sys

import machine
import network
import onewire

import sash.clock

now = [1000]  # ms


def ticks():
    """Stand in for the chip's counter."""
    return now[0] & sash.clock.TICKS_MASK


async def sleep_ms(ms):
    """Let make-believe time pass."""
    now[0] += ms
    for call in list(LATER):
        if call[0] <= now[0]:
            LATER.remove(call)
            call[1]()


LATER = []  # (ms, function) that happen while somebody sleeps
sash.clock.ticks_ms = ticks
asyncio.sleep_ms = sleep_ms
onewire.state["now_ms"] = ticks

from sash.boards import h_bridge, i2c_sensors, one_wire, pins, rtc, wind_counter  # noqa: E402
from sash.reading import Actions  # noqa: E402

AIR, SOIL = "28c652b604000023", "283ce7b50400008b"  # Source: ROM codes printed in a public driver source.
# 25.0625 and 10.125 degC. Source: data table of the 12-bit 1-Wire thermometer; checksums worked out.
WARM, COOL = bytes.fromhex("91014b467fff0f1025"), bytes.fromhex("a2004b467fff0e10e5")


def family():
    """Return the module under test."""
    if sys.argv[1] == "esp32":
        from sash.boards import esp32 as module
    else:
        from sash.boards import rp2 as module
    return module


def make(**more):
    """Return (board, pins by role): hold released, both ends not made, two probes."""
    machine.forget()
    module = family()
    numbers = dict(module.PINS)
    for role in ("at_shut", "at_open", "hold"):
        machine.levels[numbers[role]] = 0
    machine.levels[numbers["ack"]] = 1
    machine.mv[numbers["battery"]] = 1150  # 12.65 V behind 11:1
    onewire.devices.clear()
    onewire.state.update({"stuck_low": 0, "raises": 0})
    onewire.devices.update({AIR: WARM, SOIL: COOL})
    fittings = {"frame": "north", "probes": {"air": AIR, "soil": SOIL}}
    fittings.update(more)
    return module.Board(fittings, folder=sys.argv[3]), numbers


def actions(motor, duty=1000, siren=0, lamp=0):
    """Return Actions."""
    made = Actions()
    made.motor, made.duty_permille, made.siren, made.lamp = motor, duty, siren, lamp
    return made


def refusal(function, *arguments):
    """Return the sentence of the ValueError that the call raises, "" when it raises none."""
    try:
        function(*arguments)
    except ValueError as error:
        return str(error)
    return ""


def wait(board, ms):
    """Run the board's wait in make-believe time."""
    return asyncio.run(board.wait(ms))


def case_motor_low_first():
    """The first thing done to any pin is to put the motor's three pins low."""
    _, numbers = make()
    first = machine.history[:3]
    assert sorted(first) == sorted([(numbers[r], 0) for r in ("motor_enable", "motor_open", "motor_shut")]), first


def case_reads_inputs():
    """Every input arrives in its unit, and those without fittings are NONE."""
    board, numbers = make()
    machine.mv[numbers["motor_current"]] = 600
    machine.levels[numbers["at_shut"]] = 1
    machine.levels[numbers["ack"]] = 0
    inputs = board.read()
    assert (inputs.at_shut, inputs.at_open, inputs.hold, inputs.ack) == (1, 0, 0, 1)
    assert inputs.motor_ma == 1200, inputs.motor_ma
    assert abs(inputs.battery_mv - 12650) <= 11, inputs.battery_mv
    assert (inputs.pot_permille, inputs.light_lx, inputs.wind_mms, inputs.rain, inputs.humidity_permille) == (-1,) * 5


def case_probes_never_waited_for():
    """A conversion is begun in one step and read 800 ms later, never before, and no time passes inside read."""
    board, _ = make()
    before = now[0]
    assert board.read().probes == {"air": None, "soil": None}
    now[0] += 700
    assert board.read().probes == {"air": None, "soil": None}
    now[0] += 150
    assert board.read().probes == {"air": WARM, "soil": COOL}
    assert now[0] == before + 850
    onewire.devices[AIR] = COOL
    now[0] += 400
    assert board.read().probes["air"] == WARM  # the next conversion still runs
    now[0] += 500
    assert board.read().probes["air"] == COOL


def case_one_probe_a_step_while_moving():
    """While the lid moves a step asks at most one probe."""
    board, _ = make()
    board.read()
    board.apply(actions(1))
    now[0] += 900
    before = onewire.state["conversations"]
    board.read()
    assert onewire.state["conversations"] == before + 1
    board.read()
    assert onewire.state["conversations"] == before + 2


def case_probe_gone_and_bus_faults():
    """A missing probe, an empty bus, a stuck bus and a raising driver all give None, and all come back."""
    board, _ = make()

    def later():
        for _ in range(3):
            now[0] += 900
            found = board.read().probes
        return found

    assert later() == {"air": WARM, "soil": COOL}
    del onewire.devices[SOIL]
    assert later() == {"air": WARM, "soil": None}
    onewire.devices[SOIL] = COOL
    for fault in ("stuck_low", "raises"):
        onewire.state[fault] = 1
        assert later() == {"air": None, "soil": None}, fault
        onewire.state[fault] = 0
        assert later() == {"air": WARM, "soil": COOL}, fault
    assert board.probes.found() == sorted([AIR, SOIL])


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


def case_wait_gives_true_time_over_a_wrap():
    """Steps keep their length when the counter wraps at 2^30 ms."""
    now[0] = (1 << 30) - 2000
    board, _ = make()
    assert wait(board, 5000) == 5000
    assert wait(board, 5000) == 5000
    late = now[0]
    now[0] += 700  # the step itself took time
    assert wait(board, 5000) == 5000
    assert now[0] == late + 5000


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


def case_clock_both_epochs():
    """The calendar of the chip is taken when it was set, and set by us in UTC; power-on dates are not believed."""
    board, _ = make()
    assert board.unix_s() == -1
    board.set_unix_s(1_767_225_600)  # 2026-01-01T00:00:00Z, a Thursday. Source: calendar.
    assert machine.state["date"][:3] == (2026, 1, 1)
    assert machine.state["date"][4:7] == (0, 0, 0)
    assert machine.state["date"][3] == 3
    assert board.unix_s() == 1_767_225_600
    wait(board, 5000)
    assert board.unix_s() == 1_767_225_605
    kept = machine.state["date"]
    module = family()
    machine.state["date"] = kept
    again = module.Board({"frame": "north"}, folder=sys.argv[3])
    assert again.unix_s() == 1_767_225_600
    board.set_unix_s(5)
    assert board.unix_s() == -1


def case_calendar_days():
    """Days come out right around leap days and centuries. Source: Unix times of well-known dates."""
    for date, unix_s in (
        ((1970, 1, 1), 0), ((2000, 1, 1), 946_684_800), ((2000, 2, 29), 951_782_400), ((2000, 3, 1), 951_868_800),
        ((2024, 2, 29), 1_709_164_800), ((2026, 1, 1), 1_767_225_600), ((2038, 1, 19), 2_147_472_000),
    ):  # fmt: skip
        assert rtc.days_since_1970(*date) * 86_400 == unix_s, date


def case_watchdog_and_reset():
    """The watchdog is set to 8 s or less, only feed feeds it, and a restart takes the motor's power first."""
    board, numbers = make()
    assert 0 < machine.state["watchdog_ms"] <= 8000
    board.read()
    board.apply(actions(1))
    wait(board, 300)
    assert machine.state["fed"] == 0
    board.feed()
    assert machine.state["fed"] == 1
    board.reset()
    assert machine.state["resets"] == 1
    assert machine.levels[numbers["motor_enable"]] == 0


def case_reset_causes():
    """Reset causes come in the words of the seam."""
    board, _ = make()
    for cause, word in ((machine.PWRON_RESET, "power-on"), (machine.WDT_RESET, "watchdog"), (99, "unknown")):
        machine.state["cause"] = cause
        assert board.reset_cause() == word


def case_siren_lamp():
    """Siren and lamp follow the actions."""
    board, numbers = make()
    board.apply(actions(0, 0, 1, 1))
    assert (machine.levels[numbers["siren"]], machine.levels[numbers["lamp"]]) == (1, 1)
    board.apply(actions(0, 0, 0, 0))
    assert (machine.levels[numbers["siren"]], machine.levels[numbers["lamp"]]) == (0, 0)


def case_optional_inputs():
    """Potentiometer, light, humidity, wind and rain come when the fittings name them."""
    board, numbers = make(pot=1, light=1, humidity=1, wind=1, rain=1, pot_mv=[300, 2300])
    machine.mv[numbers["pot"]] = 800
    machine.levels[numbers["rain"]] = 0

    class Light:
        def write(self, data):
            assert data == b"\x10"

        def read(self, count):
            return bytes((0x12, 0x00))  # 4608 / 1.2 = 3840 lx, by hand

    class Humidity:
        def write(self, data):
            assert data == b"\x24\x00"

        def read(self, count):
            raw = bytes((0x80, 0x00))  # 32768 / 65535 = 50.0 %, by hand
            return bytes((0, 0, 0x81)) + raw + bytes((i2c_sensors.crc8(raw),))

    machine.i2c_devices.update({0x23: Light(), 0x44: Humidity()})
    board.read()
    for _ in range(10):  # ten pulses in five seconds: 2 Hz at 667 mm/s
        now[0] += 500
        machine.handlers[numbers["wind"]](None)
    inputs = board.read()
    assert abs(inputs.pot_permille - 250) <= 1
    assert (inputs.light_lx, inputs.humidity_permille, inputs.rain) == (3840, 500, 1)
    assert inputs.wind_mms == 10 * 1000 * 667 // 5000, inputs.wind_mms
    machine.i2c_devices.clear()
    inputs = board.read()
    assert (inputs.light_lx, inputs.humidity_permille) == (-1, -1)
    machine.mv[numbers["pot"]] = 3300  # wire broken
    assert board.read().pot_permille == -1


def case_gust_forgotten_after_a_minute():
    """A gust counts for one minute."""
    machine.forget()
    pin = machine.Pin(1, machine.Pin.IN)
    counter = wind_counter.WindCounter(pin, 1000, 0)
    assert counter.gust_mms() == -1
    for _ in range(30):
        now[0] += 100
        machine.handlers[1](None)
        machine.handlers[1](None)  # bounce: not counted
    assert counter.gust_mms() == 10_000
    for _ in range(19):
        now[0] += 3000
        assert counter.gust_mms() == 10_000
    now[0] += 3000
    assert counter.gust_mms() == 0


def case_wifi_ladder():
    """Tries that fail climb: join again, interface off, restart only at rest; a session brings it down again."""
    board, _ = make(wifi={"ssid": "garden", "password": "x"})
    del network.calls[:]
    network.state.update({"connected": 0, "raises": 0})

    class Line:
        sessions = 0

    board.link = Line()
    assert board.network_up() == 0
    assert ("connect", "garden") in network.calls
    network.state["connected"] = 1
    assert board.network_up() == 1
    for _ in range(10):  # connected, but deaf: no session comes
        now[0] += 60_000
        board.network_up()
    assert ("disconnect",) in network.calls
    assert ("active", False) in network.calls
    board.apply(actions(1))
    for _ in range(60):
        board.network_up()
    assert machine.state["resets"] == 0  # the lid moves
    board.apply(actions(0))
    board.network_up()
    assert machine.state["resets"] == 1
    board.link.sessions = 1
    board.network_up()
    assert machine.state["resets"] == 1
    network.state["raises"] = 1
    assert board.network_up() == 0


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


def case_no_wifi_is_fine():
    """A frame without a network says so and never raises."""
    board, _ = make()
    assert board.network_up() == 0


def case_light_sleep_only_at_rest_and_where_fitted():
    """Asleep between steps on the family that can, fitted so, without radio or wind; never under hold, motor, siren."""
    def pause(ms):
        now[0] += ms
        for call in list(LATER):
            if call[0] <= now[0]:
                LATER.remove(call)
                call[1]()

    def asleep(prepare=None, hold=0, **fittings):
        board, numbers = make(**fittings)
        machine.state["sleep"] = pause
        machine.state["asleep_ms"] = 0
        machine.levels[numbers["hold"]] = hold
        board.read()
        if prepare:
            board.apply(prepare)
        wait(board, 3000)
        return machine.state["asleep_ms"]

    can = 3000 if sys.argv[1] == "esp32" else 0
    assert asleep(sleep=1) == can
    assert asleep() == 0
    assert asleep(sleep=1, wifi={"ssid": "invented", "password": "invented"}) == 0
    assert asleep(sleep=1, wind=1) == 0
    assert asleep(sleep=1, hold=1) == 0
    assert asleep(actions(0, 0, siren=1), sleep=1) == 0
    assert asleep(actions(1), sleep=1) == 0
    board, numbers = make(sleep=1)
    board.read()
    LATER.append((now[0] + 500, lambda: machine.levels.update({numbers["hold"]: 1})))
    assert wait(board, 5000) <= 620


def case_pins_can_be_changed():
    """Fittings may move a role to another pin; two roles on one pin and unknown roles are refused in a sentence."""
    table = family().PINS
    assert pins.pins_for(table, {"pins": {"rain": 21 + 18}})["rain"] == 39
    for wrong, word in (({"rain": dict(table)["hold"]}, "share"), ({"horn": 3}, "no role")):
        assert word in refusal(pins.pins_for, table, {"pins": wrong})


def case_one_probe_needs_no_code():
    """The first evening: one probe, no ROM code written down, and it is read."""
    board, _ = make(probes={"air": ""})
    del onewire.devices[SOIL]
    board.read()
    now[0] += 900
    assert board.read().probes == {"air": WARM}


def case_bad_code_leaves_its_place_blind():
    """A ROM code with a slip leaves that place without readings; the frame starts and the others are read."""
    board, _ = make(probes={"air": AIR, "soil": "28zz", "air2": ""})
    board.read()
    now[0] += 900
    assert board.read().probes == {"air": WARM, "soil": None, "air2": None}


def case_bad_rom_is_a_sentence():
    """A ROM code that is none is refused with the place's name."""
    for digits in ("28", "zz", AIR + "00"):
        assert "air" in refusal(one_wire.rom_bytes, "air", digits)


def case_runs_with_the_shell():
    """The whole firmware loop runs on this board: probes seen, watchdog fed each cycle."""
    from sash import app
    from sash.board import Stopped

    board, _ = make()
    steps = [0]
    real_wait = board.wait

    async def bounded(ms):
        steps[0] += 1
        if steps[0] > 40:
            raise Stopped()
        return await real_wait(ms)

    class Core:
        seen = None

        def step(self, dt_ms, unix_s, inputs, inbox, link_up):
            Core.seen = inputs.probes
            return Actions()

    board.wait = bounded
    asyncio.run(app.run(board, {"frame": "north"}, None, lambda *_: Core()))
    assert Core.seen == {"air": WARM, "soil": COOL}
    assert machine.state["fed"] == 40


def case_the_whole_firmware_opens_a_hot_frame():
    """Board, loop and core together: a hot frame is opened by driving the motor until the end switch is made."""
    from sash import app
    from sash.board import Stopped

    board, numbers = make(travel_ms=10_000, stall_ma=3000, boot_wait_s=5)
    hot = bytes.fromhex("50054b467fff0c10")  # replaced below: 40 degC
    hot = bytes((0x80, 0x02)) + hot[2:]
    from sash.probes import crc8

    onewire.devices[AIR] = hot + bytes((crc8(hot),))
    machine.levels[numbers["at_shut"]] = 1
    world = {"lid": 0.0, "ms": now[0], "drove": 0}
    real_wait = board.wait

    async def wait_in_the_world(ms):
        passed = await real_wait(min(ms, 200))
        duty = machine.duties[numbers["motor_open"]] if machine.levels[numbers["motor_enable"]] else 0
        machine.mv[numbers["motor_current"]] = 400 if duty else 0
        world["lid"] = min(1000.0, world["lid"] + 0.1 * passed * duty / 65535)
        world["drove"] |= 1 if duty else 0
        machine.levels[numbers["at_shut"]] = 1 if world["lid"] < 5 else 0
        machine.levels[numbers["at_open"]] = 1 if world["lid"] >= 1000 else 0
        if now[0] > world["ms"] + 90_000:
            raise Stopped()
        return passed

    board.wait = wait_in_the_world
    shell = asyncio.run(app.run(board, {"frame": "north", "travel_ms": 10_000, "boot_wait_s": 5, "probes": {
        "air": AIR, "soil": SOIL}}))
    assert world["drove"]
    assert world["lid"] >= 1000, (world, shell.core)
    assert shell.core.lid_state == "open", shell.core
    assert machine.levels[numbers["motor_enable"]] == 0
    assert machine.state["resets"] == 0


CASES = [name for name in globals() if name.startswith("case_")]

if __name__ == "__main__":
    if len(sys.argv) > 2 and sys.argv[2] == "list":
        print(" ".join(sorted(CASES)))
    else:
        globals()[sys.argv[2]]()
        print("ok")
