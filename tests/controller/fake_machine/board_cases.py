"""Cases for the real boards: clock, inputs, radio, sleep, and the whole firmware on them."""

import asyncio
import sys

import machine
import network
import onewire
from board_desk import AIR, COOL, LATER, SOIL, WARM, actions, family, main, make, now, refusal, wait

from sash.boards import i2c_sensors, pins, rtc, wind_counter
from sash.reading import Actions


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


if __name__ == "__main__":
    main(globals())
