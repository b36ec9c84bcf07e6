"""A copy of the readings in a time-series server, and history read back from it.

What is still to be copied is a table of the store, filled in the transaction
that stores a reading: nothing is lost while the server is away, and a crash
can only copy something twice, which such a server takes as once. Names:
measurement "reading", tag "frame", one field a metric, times in seconds.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterable
from typing import Any

from .config import Influx
from .errors import JobError
from .store import METRICS, Reading, Store

log = logging.getLogger("sashkeeper.influx")

BATCH = 5000
PAUSE_S = (1.0, 60.0)
TIMEOUT_MS = 10_000


def line(reading: Reading) -> str:
    """Return one line of the line protocol; frame ids need no escaping."""
    values = ",".join(f"{name}={value:.10g}" for name, value in reading.values.items() if name in METRICS)
    return f"reading,frame={reading.frame} {values} {int(reading.time_s)}"


def client_for(settings: Influx, timeout_ms: int = TIMEOUT_MS) -> Any:
    """Return a client of the influxdb-client library."""
    from influxdb_client.client.influxdb_client import InfluxDBClient

    return InfluxDBClient(
        url=settings.url, token=settings.token or "none", org=settings.org, timeout=timeout_ms, enable_gzip=True
    )


def push(store: Store, client: Any, bucket: str, limit: int = BATCH) -> int:
    """Copy one batch; return how many readings went. Raises JobError when the server does not take it."""
    from influxdb_client.client.write_api import SYNCHRONOUS
    from influxdb_client.rest import ApiException
    from urllib3.exceptions import HTTPError

    waiting = store.copies_waiting(limit)
    if not waiting:
        return 0
    lines = [line(reading) for _, reading in waiting if any(name in METRICS for name in reading.values)]
    try:
        if lines:
            client.write_api(write_options=SYNCHRONOUS).write(
                bucket=bucket, record="\n".join(lines), write_precision="s"
            )
    except (ApiException, HTTPError, OSError) as fault:
        status = getattr(fault, "status", None)
        why = f"answered {status}" if status else "cannot be reached"
        raise JobError(f"The time-series server {why}; {store.copies_count()} readings wait for it.") from fault
    store.copies_done([key for key, _ in waiting])
    return len(waiting)


def history(client: Any, bucket: str, frame: str, metric: str, start_s: float, end_s: float) -> list[tuple[int, float]]:
    """Return (time [s], value) of one metric through the server's query API, oldest first. Raises JobError."""
    from influxdb_client.rest import ApiException
    from urllib3.exceptions import HTTPError

    query = (
        f'from(bucket: "{bucket}") |> range(start: {int(start_s)}, stop: {int(end_s)}) '
        '|> filter(fn: (r) => r._measurement == "reading" and r.frame == frame and r._field == metric) '
        '|> sort(columns: ["_time"])'
    )
    # The grower's words go in as parameters' values, quoted here, never as pieces of the query.
    query = f'frame = "{_quoted(frame)}"\nmetric = "{_quoted(metric)}"\n{query}'
    try:
        tables = client.query_api().query(query)
    except (ApiException, HTTPError, OSError) as fault:
        status = getattr(fault, "status", None)
        why = f"answered {status}: it may take readings and yet not know Flux" if status else type(fault).__name__
        raise JobError(f"The time-series server does not answer the question for {frame} ({why}).") from fault
    return [(int(r.get_time().timestamp()), float(r.get_value())) for r in _records(tables)]


def _records(tables: Iterable[Any]) -> Iterable[Any]:
    for table in tables:
        yield from table.records


def _quoted(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"')


class CopyWorker:
    """A thread that keeps the copy up to date; it opens its own store."""

    def __init__(self, open_store: Callable[[], Store], settings: Influx) -> None:
        self._open, self._settings = open_store, settings
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="copy", daemon=True)

    def start(self) -> None:
        """Begin copying."""
        self._thread.start()

    def stop(self, timeout_s: float = 15.0) -> None:
        """Finish the batch in hand and end; what waits stays in the store."""
        self._stop.set()
        self._thread.join(timeout_s)

    def _run(self) -> None:
        store = self._open()
        pause_s = PAUSE_S[0]
        client = client_for(self._settings)
        try:
            while not self._stop.is_set():
                try:
                    copied = push(store, client, self._settings.bucket)
                    pause_s = PAUSE_S[0]
                except JobError as fault:
                    log.warning("%s", fault.sentence)
                    pause_s = min(2 * pause_s, PAUSE_S[1])
                    copied = 0
                if copied < BATCH:
                    self._stop.wait(pause_s)
        finally:
            client.close()
            store.close()
