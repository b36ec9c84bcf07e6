"""sashkeeper board: from a bare board to one that keeps a lid, over a USB cable."""

from __future__ import annotations

import dataclasses
import secrets
import ssl
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from sashkeeper import frames as registry
from sashkeeper.board import bench, image, install, runtime, wire
from sashkeeper.board.bench_parts import Bench, Report, Result
from sashkeeper.board.session import quiet
from sashkeeper.board.wire import BoardWire
from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.columns import paragraph
from sashkeeper.errors import InputError, JobError
from sashkeeper.joining.files import HOST_NAME, files

CA_FILE = "ca.der"
MPY_FORMAT = 6  # of the compiled modules; boards with another get the sources
CAUTION = "The lid will move. Hands, children and pets out of the frame, prop ready, HOLD within reach."

port_option = click.option("--port", help="Serial port of the board (else the only one there is).")


@click.group("board", help="Set up, update and check the board of a frame over a USB cable.")
def command() -> None:
    """Group of the board commands."""


def _port(given: str | None) -> str:
    if given:
        if not wire.exists(given):
            there = ", ".join(port for port, _ in wire.ports()) or "none at all"
            raise InputError(f"There is no port {given}. Ports there are: {there}. Is the cable a data cable?")
        return given
    found = wire.ports()
    if len(found) != 1:
        listed = ", ".join(port for port, _ in found)
        raise InputError(
            f"Several ports are there ({listed}): name one with --port." if found else
            "No serial port is there. Plug the board in with a cable that carries data, not only power."
        )  # fmt: skip
    return found[0][0]


@command.command("find")
@json_option
@pass_app
def find(app: App, as_json: bool) -> None:
    """List serial ports and boards that wait for a runtime; stops nothing."""
    ports, drives = wire.ports(), [str(path) for path in runtime.drives()]
    if as_json:
        print_json({"ports": [{"port": port, "says": text} for port, text in ports], "drives": drives})
        return
    for port, text in ports:
        click.echo(f"{port}  {text}")
    for drive in drives:
        click.echo(f"{drive}  a bare board that waits for its runtime")
    if not ports and not drives:
        click.echo("Nothing found. Plug the board in with a cable that carries data, not only power.")


@command.command("look")
@port_option
@json_option
@pass_app
def look(app: App, port: str | None, as_json: bool) -> None:
    """Say what a board is and what is on it. Stops its firmware; the lid stays where it is."""
    with quiet(_port(port), _told) as line:
        found = install.status(line)
    if as_json:
        print_json(dataclasses.asdict(found))
        return
    click.echo(f"{found.platform} with MicroPython {found.interpreter}, frame {found.frame or 'not named yet'}")
    for folder, (number, version) in sorted(found.versions.items()):
        starts = " (starts)" if folder == found.running else ""
        click.echo(f"  {folder}: firmware {version}, install {number}{starts}")
    if not found.versions:
        click.echo('  no whole firmware: "sashkeeper board install" puts it there')


def _told(sentence: str) -> None:
    click.echo(sentence, err=True)


@command.command("runtime")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@port_option
@click.option("--yes", is_flag=True, help="Do not ask.")
@pass_app
def put_runtime(app: App, file: Path, port: str | None, yes: bool) -> None:
    """Put the MicroPython runtime in FILE on a bare board. Everything on the board is erased."""
    ready = runtime.read(file)
    if not yes and not click.confirm("Everything on the board will be erased. Go on?"):
        click.echo("Nothing was changed.")
        return
    if ready.kind == "uf2":
        click.echo(f"Copied to {runtime.write_uf2(ready)}. The board restarts by itself.")
    else:
        click.echo(f"Written to the {runtime.write_esp(ready, _port(port))}, which restarts by itself.")
    click.echo('Next: "sashkeeper board install".')


@command.command("install")
@click.argument("frame")
@port_option
@click.option("--wifi", help="Name of the Wi-Fi network; its password is asked for.")
@click.option("--host", help="Broker as the board reaches it (else guessed).")
@click.option("--broker-port", type=click.IntRange(1, 65535), help="Port of the broker.")
@click.option("--ca", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="Certificate to check it by.")
@click.option("--plaintext", is_flag=True, help="Really speak to the broker without encryption.")
@click.option("--older", is_flag=True, help="Put an older firmware in place of a newer one.")
@click.option("--fitting", "said", multiple=True, metavar="NAME=NUMBER",
              help="A figure of lid and drive, as \"size lid\" prints them; the bench check is due again.")
@pass_app
def install_frame(
    app: App, frame: str, port: str | None, wifi: str | None, host: str | None, broker_port: int | None,
    ca: Path | None, plaintext: bool, older: bool, said: tuple[str, ...],
) -> None:  # fmt: skip
    """Put firmware, name, key and network of FRAME on a board. Running it again updates; power may go at any time."""
    from sashkeeper.wire.broker import lan_host

    found = app.store.frame(frame)
    figures = dict(registry.read_fitting(text) for text in said)
    own = files(app.home).ca_der
    ours = not ca and not plaintext and own.exists()
    if ours:
        ca = own
    if wifi and not ca and not plaintext:
        raise InputError(
            "Without a certificate the board would speak to the broker in clear over the radio. Make certificates "
            'with "sashkeeper join certificates", or name the broker\'s with --ca, or say --plaintext if your network '
            "is your own. Nothing was changed."
        )
    trusted = _certificate(ca) if ca else b""
    password = click.prompt(f"Password of {wifi}", hide_input=True, default="", show_default=False) if wifi else ""
    with quiet(_port(port), _told) as line:
        status = install.status(line)
        if status.frame not in (None, frame):
            raise InputError(
                f"This board belongs to {status.frame}, not to {frame}. Nothing was changed. Take the other board, or "
                f'remove its file first: "sashkeeper board forget --port {line.port}".'
            )
        old = install.get_fittings(line) or {}
        made = registry.fittings(found, host or lan_host(app), broker_port or app.config.broker.port, _kept(old))
        _add_network(made, line, wifi, password, trusted, HOST_NAME if ours else "")
        if any(made.get(name) != figure for name, figure in figures.items()):
            made = {**made, **figures, "bench": 1}
        made.setdefault("bench", 1)  # nothing moves on its own before the bench check
        install.put_fittings(line, made)
        folder = install.install(line, _image_for(line, status.platform), older, _told)
        _restart(line, status.platform)
    click.echo(f"{frame} is on the board, in folder {folder}.")
    if made["bench"]:
        click.echo(f'The lid does not move on its own yet. Next: "sashkeeper board check {frame}".')


def _kept(old: Mapping[str, Any]) -> dict[str, Any]:
    """What was measured or chosen at the board and outlives an update."""
    return {key: value for key, value in old.items() if key not in ("frame", "key", "mqtt")}


def _add_network(
    made: dict[str, Any], line: BoardWire, wifi: str | None, password: str, trusted: bytes, name: str
) -> None:
    if wifi:
        made["wifi"] = {"ssid": wifi, "password": password}
    if not made.get("wifi"):
        made.pop("mqtt", None)  # a frame without a network keeps its lid right all the same
    elif trusted:
        line.replace(CA_FILE, trusted)
        made["mqtt"]["ca"] = CA_FILE
        if name:
            made["mqtt"]["name"] = name


def _certificate(path: Path) -> bytes:
    """Return a certificate in the binary form that boards read. Raises InputError."""
    data = path.read_bytes()
    if data.lstrip().startswith(b"-----BEGIN CERTIFICATE-----"):
        try:
            data = ssl.PEM_cert_to_DER_cert(data.decode("ascii").strip())
        except ValueError:
            data = b""
    if data[:1] != b"\x30":  # every certificate is a sequence, which begins so
        raise InputError(f"{path} is not a certificate. Nothing was changed. Give the broker's certificate file.")
    return data


def _image_for(line: BoardWire, platform: str) -> image.Image:
    line.run("import sys", "start")
    fits = line.ask("(getattr(sys.implementation, '_mpy', 0) & 0xff)", "say its format") == MPY_FORMAT
    compiled = fits and image.has_compiler()
    if not compiled:
        _told("The modules go on as sources: slower to start, the same otherwise.")
    # No chip of ours: a desktop interpreter, for which there is a board made of text lines.
    return image.build(platform if platform in image.FAMILIES else image.DESK, compiled)


def _restart(line: BoardWire, platform: str) -> None:
    if platform in image.FAMILIES:
        line.leave_and_reset()


@command.command("key")
@click.argument("frame")
@port_option
@pass_app
def change_key(app: App, frame: str, port: str | None) -> None:
    """Give FRAME a new key, on its board and here, in one go. What its journal holds is not lost."""
    found = app.store.frame(frame)
    with quiet(_port(port), _told) as line:
        old = install.get_fittings(line)
        if old is None or old.get("frame") != frame:
            raise InputError(f'This board is not {frame}\'s. Nothing was changed. Put it on with "board install".')
        fresh = dataclasses.replace(found, key=secrets.token_bytes(registry.KEY_BYTES))
        new = {**old, "key": fresh.key.hex()}
        if "mqtt" in old:
            new["mqtt"] = {**old["mqtt"], "password": registry.mqtt_password(fresh)}
        # The board first: should the cable be pulled here, running this again puts both right.
        install.put_fittings(line, new)
        app.store.frame_change(frame, key=fresh.key)
        _restart(line, install.status(line).platform)
    click.echo(f"{frame} has a new key; the old one no longer opens anything.")
    if app.config.broker.kind == "external":
        click.echo(paragraph('Now renew the broker\'s accounts: "sashkeeper broker mosquitto FOLDER --overwrite".'))


@command.command("send")
@click.argument("frame")
@click.option("--patience", type=click.IntRange(0, 1440), default=10, show_default=True, help="Minutes to wait for "
              "the lid to rest and frost to pass.")
@click.option("--yes", is_flag=True, help="Do not ask.")
@json_option
@pass_app
def send(app: App, frame: str, patience: int, yes: bool, as_json: bool) -> None:
    """Send the firmware that came with this program to FRAME over the air, signed with the frame's key."""
    from sashkeeper.board.send import BusLine, Update, next_n
    from sashkeeper.line import open_line
    from sashkeeper.wire.messages import topic_of
    from sashkeeper.wording import UPDATE_NOTICE

    found = app.store.frame(frame)
    registry.mqtt_password(found)  # says so when there is no key
    made = _image_over_the_air(app, frame)
    click.echo(paragraph(UPDATE_NOTICE), err=True)
    if not yes and not click.confirm(f"Send firmware {made.version} ({made.size / 1000:.0f} kB) to {frame}?", err=True):
        click.echo("Nothing was changed.")
        return
    n = next_n(found.data, app.clock.now_s())
    app.store.frame_change(frame, data={**found.data, "update_n": n})
    topic = topic_of(frame, "update")
    with open_line(app, frame, ("update/answer",)) as (bus, _, _):
        done = Update(BusLine(bus, topic), made, topic, found.key, n, _told, patience_s=patience * 60.0).run()
    if as_json:
        print_json({"frame": frame, **dataclasses.asdict(done)})
    elif done.had_it:
        click.echo(f"{frame} runs firmware {done.version} already. Nothing was changed.")
    else:
        click.echo(f"{frame} restarts into firmware {done.version}. It is on trial for its first ten minutes.")


def _image_over_the_air(app: App, frame: str) -> image.Image:
    """Build what fits the board as its last report describes it. Raises InputError when it has not reported."""
    report = app.store.report(frame)
    board = str(report.body.get("board", "")) if report else ""
    if not board:
        raise InputError(f"{frame} has not reported what board it is. Nothing was sent. Let it connect once.")
    if board == "virtual":
        return image.build(board, compiled=False)
    if board not in image.FAMILIES:
        raise InputError(f"{frame} runs on a {board}, for which there is no firmware. Nothing was sent.")
    if not image.has_compiler():
        raise JobError("The compiler for boards is missing. Install it with: pip install 'sashkeeper[board]'")
    return image.build(board)


@command.command("back")
@port_option
@pass_app
def back(app: App, port: str | None) -> None:
    """Go back to the firmware before the last update."""
    with quiet(_port(port), _told) as line:
        folder = install.roll_back(line)
        version = install.status(line).versions[folder][1]
        _restart(line, install.status(line).platform)
    click.echo(f"The board starts firmware {version} again.")


@command.command("forget")
@port_option
@click.option("--yes", is_flag=True, help="Do not ask.")
@pass_app
def forget(app: App, port: str | None, yes: bool) -> None:
    """Remove name, key and network from a board before it is sold or given away."""
    if not yes and not click.confirm("The board will forget its frame, key and network. Go on?"):
        click.echo("Nothing was changed.")
        return
    with quiet(_port(port), _told) as line:
        for name in (install.FITTINGS, install.FITTINGS + ".new", CA_FILE, CA_FILE + ".new"):
            line.remove(name)
        for name in line.names("data"):
            line.remove(f"data/{name}")
        left = [*line.names("data"), *(name for name in line.names() if name == install.FITTINGS)]
    if left:
        raise JobError(f"These files are still on the board: {', '.join(left)}. Run the command again.")
    click.echo("The board has forgotten its frame. Keys may linger in worn flash: erase the chip if that matters.")


@command.command("check")
@click.argument("frame")
@port_option
@click.option("--virtual", is_flag=True, help="Rehearse on a simulated frame with a simulated grower.")
@json_option
@pass_app
def check(app: App, frame: str, port: str | None, virtual: bool, as_json: bool) -> None:
    """Walk through the bench check of FRAME; only after it the lid may move on its own."""
    found = app.store.frame(frame)
    report, fixes = _rehearsed(found.data) if virtual else _checked(found.id, port, as_json)
    record = {**report.record(int(app.clock.now_s())), "virtual": virtual}
    if not virtual:
        app.store.frame_change(frame, data={**found.data, "bench": record})
    if as_json:
        print_json(record)
    else:
        _say_verdict(report, fixes, virtual)
    if not report.safe:
        click.get_current_context().exit(1)


def _checked(frame: str, port: str | None, as_json: bool) -> tuple[Report, dict[str, Any]]:
    from sashkeeper.board.bench_real import RealBench

    click.echo(CAUTION, err=True)
    with quiet(_port(port), _told) as line:
        fittings = install.get_fittings(line)
        if fittings is None or fittings.get("frame") != frame:
            raise InputError(f'This board is not {frame}\'s. Put it on first: "sashkeeper board install {frame}".')
        platform = install.status(line).platform
        if platform not in image.FAMILIES:
            raise InputError(f"A {platform} has no motor to check. Try --virtual.")
        real = RealBench(line, fittings, platform)
        report = bench.check(real, _Person(), fittings, _say_result)
        fixes = _fixes(report)
        _finish(line, fittings, report, fixes)
        _restart(line, platform)
    return report, fixes


def _finish(line: BoardWire, fittings: dict[str, Any], report: Report, fixes: dict[str, Any]) -> None:
    """Write what was offered and agreed to, and let the lid move on its own only after a whole pass."""
    new = dict(fittings)
    if fixes and click.confirm(f"Write {', '.join(sorted(fixes))} into the board's fittings?", err=True):
        new.update(fixes)
    new["bench"] = 0 if report.safe else 1
    if new != fittings:
        install.put_fittings(line, new)


def _fixes(report: Report) -> dict[str, Any]:
    fixes: dict[str, Any] = {}
    for result in report.results:
        fixes.update(result.fix)
    return fixes


class _Person:
    """The grower at the keyboard."""

    def do(self, act: str, sentence: str) -> None:
        """Ask, and wait for Enter."""
        click.prompt(f"{sentence} Then press Enter", default="", show_default=False, prompt_suffix=" ", err=True)

    def sees(self, act: str, sentence: str) -> bool:
        """Ask yes or no."""
        return click.confirm(sentence, err=True)


def _say_result(result: Result) -> None:
    mark = "left out" if result.left_out else "pass" if result.passed else "FAIL"
    click.echo(f"{mark:8} {result.step}: {result.found} (expected: {result.expected})", err=True)
    if result.advice:
        click.echo(f"         {result.advice}", err=True)


def _say_verdict(report: Report, fixes: Mapping[str, Any], virtual: bool) -> None:
    where = " This was a rehearsal on a simulated frame." if virtual else ""
    if report.safe:
        click.echo(f"The safety steps passed: the lid may move on its own.{where}")
        return
    click.echo(f"The lid may NOT move on its own yet.{where}")
    if fixes:
        click.echo("After the change of the fittings, run the check again.")


def _rehearsed(data: Mapping[str, Any]) -> tuple[Report, dict[str, Any]]:
    with _virtual_bench({**registry.FITTINGS, **data.get("fittings", {})}) as (made, grower, fittings):
        report = bench.check(made, grower, fittings, _say_result)
    return report, _fixes(report)


@contextmanager
def _virtual_bench(fittings: dict[str, Any]) -> Iterator[tuple[Any, Any, dict[str, Any]]]:
    """A simulated frame on an invented day."""
    from datetime import date

    from framesim import frame as frame_files
    from framesim.model import FrameModel
    from framesim.virtual_frame import Parts, VirtualFrame
    from framesim.weather import invent
    from sashkeeper.board.bench_virtual import VirtualBench, VirtualGrower

    fittings = {**fittings, "probes": fittings.get("probes") or {"air": "", "soil": ""}}
    weather = invent(47.0, 9.0, date(2027, 3, 1), date(2027, 3, 2), seed=5, name="Testwood")
    frame = VirtualFrame(FrameModel(frame_files.load("reference-box"), weather), Parts.for_fittings(fittings))
    frame.reset(weather.start_s + 36 * 3600)
    made = VirtualBench(frame, fittings.get("reverse", 0))
    yield made, VirtualGrower(made), fittings


@command.command("probes")
@click.argument("frame")
@port_option
@pass_app
def probes(app: App, frame: str, port: str | None) -> None:
    """Find the probes on FRAME's board and learn, by the warmth of a hand, which one is where."""
    from sashkeeper.board.bench_real import RealBench

    app.store.frame(frame)
    with quiet(_port(port), _told) as line:
        fittings = install.get_fittings(line)
        if fittings is None or fittings.get("frame") != frame:
            raise InputError(f'This board is not {frame}\'s. Put it on first: "sashkeeper board install {frame}".')
        platform = install.status(line).platform
        codes = RealBench(line, {**fittings, "probes": {}}, platform).found()
        if not codes:
            raise JobError("No probe answers. Look at plug, wire and the 4.7 kOhm resistor. Nothing was changed.")
        numbered = {f"probe {number}": code for number, code in enumerate(codes, 1)}
        real = RealBench(line, {**fittings, "probes": numbered}, platform)
        places = learn_places(real, numbered, click.confirm, lambda text: _Person().do("warm", text))
        install.put_fittings(line, {**fittings, "probes": places, "bench": 1})
        _restart(line, platform)
    for place, code in places.items():
        click.echo(f"{place:8} {code}")
    click.echo(f'Next: "sashkeeper board check {frame}".')


def learn_places(
    real: Bench, numbered: dict[str, str], ask: Callable[[str], bool], do: Callable[[str], None]
) -> dict[str, str]:
    """Return place -> ROM code, learnt by warming one probe after the other. Raises JobError when air is not found."""
    left, places = dict(numbered), {}
    for place, where in bench.PLACES.items():
        if not left or (place != "air" and not ask(f"Is there a probe {where}?")):
            continue
        real.wait(3_000)
        before = real.look()
        do(f"Hold the probe that belongs {where} in your warm hand.")
        name = bench.warmest(real, list(left), {name: before.degc(name) for name in left})
        if name:
            places[place] = left.pop(name)
        elif place == "air":
            raise JobError("No probe got warmer in your hand. Nothing was changed. Try again, indoors.")
    return places

