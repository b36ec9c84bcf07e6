"""The copy in a time-series server is complete, and waits patiently while the server is away.

Written through influxdb-client to a real server that takes version 2 writes (VictoriaMetrics), read back
by that server's own export. The query API is tested against a small stand-in that answers in the
annotated CSV of the InfluxDB 2 API, since VictoriaMetrics has no Flux.
"""

from __future__ import annotations

import json
import subprocess
import threading
import time
import urllib.parse
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from sashkeeper import influx
from sashkeeper.config import Influx
from sashkeeper.context import STORE_NAME
from sashkeeper.errors import JobError
from sashkeeper.store import Reading, Store
from sashkeeper.wire.broker import free_port

pytest.importorskip("influxdb_client")
T0 = 1_770_724_800

# influxdb-client's own pools are closed by the garbage collector.
pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning")


def rows(start: int, count: int) -> list[Reading]:
    return [
        Reading("north", 1, n, T0 + 60 * n, {"air": 5 + n / 16, "lid": 0.1, "outside": -0.5})
        for n in range(start, start + count)
    ]


@contextmanager
def server(program: str, folder: Path, port: int) -> Iterator[None]:
    command = [program, f"-httpListenAddr=127.0.0.1:{port}", f"-storageDataPath={folder}", "-retentionPeriod=100y",
               "-loggerLevel=ERROR", "-search.latencyOffset=0s", "-memory.allowedBytes=128MB"]  # fmt: skip
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        end = time.monotonic() + 20
        while True:
            try:
                with urllib.request.urlopen(f"http://127.0.0.1:{port}/health", timeout=1):
                    break
            except OSError:
                assert time.monotonic() < end, "the server does not start"
                time.sleep(0.05)
        yield
    finally:
        process.terminate()
        process.wait(20)


def export(port: int) -> dict[str, dict[int, float]]:
    """What the server has, by its own export: series -> time [s] -> value."""
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/internal/force_flush", timeout=10):
        pass
    match = urllib.parse.quote('{frame="north"}')
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/api/v1/export?match[]={match}", timeout=10) as answer:
        lines = answer.read().decode().splitlines()
    out: dict[str, dict[int, float]] = {}
    for line in lines:
        one = json.loads(line)
        series = out.setdefault(one["metric"]["__name__"], {})
        series.update({t // 1000: v for t, v in zip(one["timestamps"], one["values"], strict=True)})
    return out


def test_a_line_is_the_line_protocol() -> None:
    """Measurement, tag, fields, time in seconds; metrics that we do not know stay at home."""
    reading = Reading("north", 1, 7, T0 + 0.5, {"air": 12.0625, "lid": 0.1, "odd name": 3})
    assert influx.line(reading) == f"reading,frame=north air=12.0625,lid=0.1 {T0}"


def test_the_copy_is_complete_although_the_server_was_away(store: Store, victoria_metrics: str, tmp_path: Path) -> None:
    """Readings of before, during and after an absence are in the server, each once and exact."""
    store.copying = True
    port = free_port()
    settings = Influx(url=f"http://127.0.0.1:{port}", token="t", org="garden", bucket="frames")
    client = influx.client_for(settings, 3000)
    with server(victoria_metrics, tmp_path / "vm", port):
        store.add_readings(rows(0, 100))
        assert influx.push(store, client, "frames") == 100
    store.add_readings(rows(100, 60))
    with pytest.raises(JobError, match="60 readings wait for it"):
        influx.push(store, client, "frames")
    with server(victoria_metrics, tmp_path / "vm", port):
        store.add_readings(rows(160, 40))
        while influx.push(store, client, "frames", limit=30):
            pass
        got = export(port)
    client.close()
    assert store.copies_count() == 0
    assert set(got) == {"reading_air", "reading_lid", "reading_outside"}
    assert got["reading_air"] == {T0 + 60 * n: pytest.approx(5 + n / 16, abs=0.0006) for n in range(200)}
    assert set(got["reading_lid"].values()) == {0.1}


def test_copying_twice_leaves_one(store: Store, victoria_metrics: str, tmp_path: Path) -> None:
    """After a crash between copying and noting it, the same rows go again and are there once."""
    store.add_readings(rows(0, 50))
    port = free_port()
    client = influx.client_for(Influx(url=f"http://127.0.0.1:{port}"), 3000)
    with server(victoria_metrics, tmp_path / "vm", port):
        for _ in range(2):
            assert store.copy_all() == 50
            assert influx.push(store, client, "frames") == 50
        assert len(export(port)["reading_air"]) == 50
    client.close()


def test_the_worker_copies_in_its_own_thread(
    store: Store, home: Path, victoria_metrics: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Started before the server is there, the worker goes on trying and ends when told."""
    monkeypatch.setattr(influx, "PAUSE_S", (0.05, 0.2))
    monkeypatch.setattr(influx, "TIMEOUT_MS", 1000)
    store.copying = True
    store.add_readings(rows(0, 20))
    port = free_port()
    worker = influx.CopyWorker(lambda: Store(home / STORE_NAME), Influx(url=f"http://127.0.0.1:{port}"))
    worker.start()
    with server(victoria_metrics, tmp_path / "vm", port):
        end = time.monotonic() + 20
        while store.copies_count() and time.monotonic() < end:
            time.sleep(0.05)
        assert store.copies_count() == 0
        assert len(export(port)["reading_air"]) == 20
    worker.stop()


class StandIn(BaseHTTPRequestHandler):
    """Answers a query as InfluxDB 2 does. Form: InfluxDB 2 API, annotated CSV."""

    asked: list[str] = []  # noqa: RUF012 - one server at a time

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        if self.headers.get("Content-Encoding") == "gzip":
            import gzip

            body = gzip.decompress(body)
        StandIn.asked.append(json.loads(body)["query"])
        answer = (
            b"#datatype,string,long,dateTime:RFC3339,double,string,string,string\r\n"
            b"#group,false,false,false,false,true,true,true\r\n#default,_result,,,,,,\r\n"
            b",result,table,_time,_value,_field,_measurement,frame\r\n"
            b",,0,2026-02-10T12:00:00Z,12.5,air,reading,north\r\n"
            b",,0,2026-02-10T12:01:00Z,12.75,air,reading,north\r\n\r\n"
        )
        self.send_response(200)
        self.send_header("Content-Type", "text/csv; charset=utf-8")
        self.send_header("Content-Length", str(len(answer)))
        self.end_headers()
        self.wfile.write(answer)

    def log_message(self, format: str, *args: object) -> None:
        """Silent."""


def test_history_is_read_by_the_query_api() -> None:
    """Values come back with their times, and what a grower types cannot become part of the query."""
    StandIn.asked.clear()
    with HTTPServer(("127.0.0.1", 0), StandIn) as web:
        thread = threading.Thread(target=web.serve_forever, args=(0.02,))
        thread.start()
        client = influx.client_for(Influx(url=f"http://127.0.0.1:{web.server_address[1]}"), 3000)
        found = influx.history(client, "frames", 'north" or true', "air", T0, T0 + 3600)
        client.close()
        web.shutdown()
        thread.join()
    assert found == [(T0, 12.5), (T0 + 60, 12.75)]
    assert 'frame = "north\\" or true"' in StandIn.asked[0]
    assert f"range(start: {T0}, stop: {T0 + 3600})" in StandIn.asked[0]


def test_a_server_without_the_query_language_is_one_sentence(
    store: Store, victoria_metrics: str, tmp_path: Path
) -> None:
    """VictoriaMetrics takes the readings but knows no Flux: that is said; its export has what was asked for."""
    store.add_readings(rows(0, 10))
    port = free_port()
    client = influx.client_for(Influx(url=f"http://127.0.0.1:{port}"), 3000)
    with server(victoria_metrics, tmp_path / "vm", port):
        store.copy_all()
        influx.push(store, client, "frames")
        with pytest.raises(JobError, match=r"for north \(answered \d+: it may take readings and yet not know Flux\)"):
            influx.history(client, "frames", "north", "air", T0, T0 + 3600)
        assert len(export(port)["reading_air"]) == 10
    client.close()


def test_a_server_that_is_away_is_one_sentence() -> None:
    """Asking for history while nobody answers is a failed job, not a traceback."""
    client = influx.client_for(Influx(url=f"http://127.0.0.1:{free_port()}"), 1000)
    with pytest.raises(JobError, match="does not answer"):
        influx.history(client, "frames", "north", "air", T0, T0 + 60)
    client.close()
