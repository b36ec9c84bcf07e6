"""Tonight and tomorrow: ranges that hold, files that are refused with a reason."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import Result

from sashkeeper import forecast
from sashkeeper.errors import InputError
from sashkeeper.forecast_file import Forecast, Hour, read
from sashkeeper.store import Reading, Roll, Store

pvlib = pytest.importorskip("pvlib")
DAYS, FIRST = 100, 40  # from 25 October


@dataclass
class Record:
    """A simulated frame's past: hourly roll-ups as the store gives them, and what its leaves really did."""

    rolls: dict[str, list[Roll]]
    leaf: dict[str, Any]  # bare and covered, hourly
    peak: Any
    share: Any
    start: datetime
    under_cover: list[Roll]  # of the air, every night covered
    laid: list[float] = field(default_factory=list)  # when the grower laid the cover on [Unix s]


@pytest.fixture(scope="module")
def greensboro() -> Record:
    """A winter of the garden frame.

    Source of the weather: TMY3 723170, Greensboro Piedmont Triad Int, NC (NREL), as shipped with pvlib.
    """
    from framesim.weather import read as read_weather

    return recorded(read_weather(Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"), "09-15", "02-05")


def recorded(weather: Any, first: str, last: str) -> Record:
    """A season of the garden frame under the law, once bare and once covered at night."""
    from framesim import policies
    from framesim.frame import load
    from framesim.season import run_season, season_days

    begin, end = season_days(weather, first, last)
    rule = policies.law({"lat_mdeg": round(1000 * weather.lat), "lon_mdeg": round(1000 * weather.lon)})
    bare, covered = (
        run_season(load("garden-frame", {"night_cover": c}), weather, rule, begin, end) for c in ("false", "true")
    )
    outside = np.interp(bare.time_end_s - 1800, weather.time_s - 1800, weather.t_out_degc)
    h = bare.hourly
    columns = {
        "air": (h["t_air_min"], h["t_air_max"], h["t_air"]),
        "outside": (outside, outside, outside),
        "lid": (h["open_frac"], h["open_frac"], h["open_frac"]),
    }
    columns["under cover"] = tuple(covered.hourly[k] for k in ("t_air_min", "t_air_max", "t_air"))
    rolls = {
        name: [Roll(int(e - 3600), 3600, 60, float(a), float(b), float(c))
               for e, a, b, c in zip(bare.time_end_s, *three, strict=True)]
        for name, three in columns.items()
    }  # fmt: skip
    under_cover = rolls.pop("under cover")
    zone = timezone(timedelta(hours=weather.utc_offset_h))
    return Record(
        rolls, {"bare": h["t_leaf"], "covered": covered.hourly["t_leaf"]}, h["t_air_max"], h["open_frac"],
        datetime.fromtimestamp(float(bare.time_end_s[0]) - 3600, zone), under_cover,
    )  # fmt: skip


def covers_when_cold(record: Record, from_day: int, below_degc: float = -3.0) -> Record:
    """The same frame with a grower who covers at 16 h where the leaf may fall below a limit, and writes it down."""
    theirs = replace(record, rolls={**record.rolls, "air": list(record.rolls["air"])}, laid=[])
    for day in range(from_day, len(record.peak) // 24 - 1):
        if said(theirs, day, 16).leaf_bare.low < below_degc:
            night = slice(24 * day + 16, 24 * day + 33)
            theirs.rolls["air"][night] = record.under_cover[night]
            theirs.laid.append((record.start + timedelta(days=day, hours=16)).timestamp())
    return theirs


def said(record: Record, day: int, hour: int, given: Forecast | None = None) -> forecast.Outlook:
    """What is forecast at an hour of a day, from what was known then."""
    now = record.start + timedelta(days=day, hours=hour)
    known = {m: [r for r in rows if r.start_s < now.timestamp()] for m, rows in record.rolls.items()}
    laid = [time_s for time_s in record.laid if time_s < now.timestamp()]
    days = forecast.days_of(known, now, record.start.tzinfo or UTC, laid)
    found = forecast.outlook(days, forecast.LIDS["twin"], now.date(), given, record.start.tzinfo)
    assert found is not None
    return found


def hits(record: Record, hour: int, with_file: bool = False, seed: int = 5) -> dict[str, int]:
    """How often each range held over the days; leaf: the night as it really was, bare or covered."""
    random = np.random.default_rng(seed)
    count = dict.fromkeys(("peak", "open_h", "leaf_bare", "leaf_covered", "leaf"), 0)
    for day in range(FIRST, FIRST + DAYS):
        given = None
        if with_file:
            # A forecast as good as forecasts are: right but for 2 K in each night and day.
            off = random.normal(0.0, 2.0, 2)
            rows = record.rolls["outside"][24 * day : 24 * day + 49]
            given = Forecast(tuple(Hour(r.start_s, r.mean + off[int(n >= 34)]) for n, r in enumerate(rows)))
        found = said(record, day, hour, given)
        # Tonight is the night that comes: from now, but not before noon, to ten in the morning.
        night, tomorrow = slice(24 * day + max(hour, 12), 24 * day + 34), slice(24 * day + 24, 24 * day + 48)
        came = {
            "peak": float(record.peak[tomorrow].max()),
            "open_h": float((record.share[tomorrow] > 0.01).sum()),
            "leaf_bare": float(record.leaf["bare"][night].min()),
            "leaf_covered": float(record.leaf["covered"][night].min()),
        }
        for name, value in came.items():
            span: forecast.Span = getattr(found, name)
            count[name] += span.low - 0.05 <= value <= span.high + 0.05
        laid = (record.start + timedelta(days=day, hours=16)).timestamp() in record.laid
        kind = "leaf_covered" if laid else "leaf_bare"
        span = getattr(found, kind)
        count["leaf"] += span.low - 0.05 <= came[kind] <= span.high + 0.05
    return count


@pytest.mark.parametrize(
    "hour", [8, 16, *(pytest.param(h, marks=pytest.mark.slow) for h in (0, 4, 12, 20))]
)
def test_80_percent_ranges_hold_75_to_85_times_in_100_days(greensboro: Record, hour: int) -> None:
    """Peak, lid hours and leaf minimum, bare and covered, fall into their ranges as often as is said."""
    for name, count in hits(greensboro, hour).items():
        assert 75 <= count <= 85, (name, count)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("lat", "lon", "seed", "first", "last"),
    [
        (44.0, -90.0, 401, "09-15", "02-05"),
        (38.9, -77.0, 402, "09-15", "02-05"),
        (53.0, 0.0, 403, "09-15", "02-05"),
        (47.0, 20.0, 404, "01-02", "05-25"),
    ],
)
def test_80_percent_ranges_hold_elsewhere(lat: float, lon: float, seed: int, first: str, last: str) -> None:
    """The same at places and in (invented) weather that played no part when the method was chosen.

    Leaves are not measured, so nothing narrows a range that is too wide for them: under a cover up to 87 is let pass.
    Where the lid stays shut for weeks its hours are right nearly always.
    """
    from framesim.weather import invent

    begin, end = (date(2026, 9, 10), date(2027, 2, 10)) if first == "09-15" else (date(2026, 12, 25), date(2027, 6, 1))
    record = recorded(invent(lat, lon, begin, end, seed=seed), first, last)
    for hour in (8, 16):
        found = hits(record, hour)
        assert 75 <= found["peak"] <= 85, (hour, found)
        assert 75 <= found["leaf_bare"] <= 85, (hour, found)
        assert 75 <= found["leaf_covered"] <= 87, (hour, found)
        assert found["open_h"] >= 75, (hour, found)


@pytest.mark.slow
def test_80_percent_ranges_hold_for_a_grower_who_covers(greensboro: Record) -> None:
    """The frame's own probe then reads under the cover on cold nights; each night as it was falls into its range."""
    theirs = covers_when_cold(greensboro, 20)
    assert 20 < len(theirs.laid) < 120
    for hour in (8, 16):
        found = hits(theirs, hour)
        assert 75 <= found["leaf"] <= 85, (hour, found)


def test_80_percent_ranges_hold_with_a_forecast_file(greensboro: Record) -> None:
    """The same with forecasts that are 2 K off, as the mean of three such series: the noise is the test's own."""
    found = [hits(greensboro, 16, True, seed) for seed in (5, 6, 7)]
    for name in ("peak", "leaf_bare", "leaf_covered"):
        assert 75 <= float(np.mean([f[name] for f in found])) <= 85, (name, found)


def test_ranges_are_of_use(greensboro: Record) -> None:
    """A range that holds by being as wide as the whole season would say nothing: it is narrower than that."""
    found = [said(greensboro, day, 16) for day in range(FIRST, FIRST + DAYS, 2)]
    season = np.percentile(greensboro.peak.reshape(-1, 24).max(axis=1), [10, 90])
    assert np.mean([f.peak.high - f.peak.low for f in found]) < season[1] - season[0]
    lows = greensboro.leaf["bare"].reshape(-1, 24).min(axis=1)
    season = np.percentile(lows, [10, 90])
    assert np.mean([f.leaf_bare.high - f.leaf_bare.low for f in found]) < 0.8 * (season[1] - season[0])


def test_a_cover_lifts_the_leaf(greensboro: Record) -> None:
    """The covered minimum lies above the bare one by what the kind of lid gives."""
    found = said(greensboro, 60, 16)
    lid = forecast.LIDS["twin"]
    assert found.leaf_covered.about - found.leaf_bare.about == pytest.approx(lid.cover_k, abs=0.11)
    bare, covered = (s.high - s.low for s in (found.leaf_bare, found.leaf_covered))
    assert lid.cover_share * bare - 0.1 <= covered <= bare + 0.3


def test_a_cover_softens_what_nobody_foresaw() -> None:
    """Nights of very different coldness give a range that is narrower under the cover than bare, for a tight lid."""
    days = [past_night(n, -12.0 if n % 2 else 0.0) for n in range(30)]
    found = forecast.outlook(days, forecast.LIDS["twin"], days[-1].day + timedelta(days=1))
    assert found is not None
    bare, covered = (s.high - s.low for s in (found.leaf_bare, found.leaf_covered))
    assert bare > 8.0
    assert covered < bare


def past_night(n: int, outside_degc: float, covered: bool = False) -> forecast.PastDay:
    """An invented day whose bed was 2 K warmer than outside at night, 2 K and a cover's gain where it was covered."""
    lift = 2.0 + (forecast.LIDS["single"].cover_k if covered else 0.0)
    day = date(2027, 1, 1) + timedelta(days=n)
    return forecast.PastDay(day, 12.0, 0.0, None, None, 3.0, 1.0, outside_degc, outside_degc + lift, covered=covered)


def test_nights_under_a_cover_do_not_make_bare_ones_warmer() -> None:
    """A grower who covers every other night and writes it down is told the same bare minimum as one who never does."""
    lid = forecast.LIDS["single"]
    never, often = ([past_night(n, -5.0, n % 2 < c) for n in range(20)] for c in (0, 1))
    one, other = (forecast.outlook(days, lid, date(2027, 1, 21)) for days in (never, often))
    assert one is not None
    assert one == other
    assert one.leaf_bare.about == pytest.approx(-5.0 + 2.0 + lid.leaf_k)


def test_the_diary_says_which_nights_were_covered(greensboro: Record) -> None:
    """A cover laid on at dusk belongs to that night, one laid on at two in the morning to the night before."""
    now = greensboro.start + timedelta(days=10)
    known = {m: [r for r in rows if r.start_s < now.timestamp()] for m, rows in greensboro.rolls.items()}
    laid = [(greensboro.start + timedelta(days=d, hours=h)).timestamp() for d, h in ((3, 17), (6, 2))]
    days = forecast.days_of(known, now, greensboro.start.tzinfo or UTC, laid)
    first = greensboro.start.date()
    assert [d.day for d in days if d.covered] == [first + timedelta(days=3), first + timedelta(days=5)]


def errors(values: list[float]) -> list[forecast.Error]:
    """Past errors, with nothing in their way upwards."""
    return [forecast.Error(v) for v in values]


def test_misses_widen_and_hits_narrow_the_range() -> None:
    """Errors that keep growing are met with a wider range, errors of nothing with a narrow one."""
    quiet = forecast.range_of(errors([(-1.0) ** n for n in range(40)]), 5.0)
    growing = forecast.range_of(errors([(-1.0) ** n * (1.0 + 0.2 * n) for n in range(40)]), 5.0)
    assert growing[1] - growing[0] > 4.0 * (quiet[1] - quiet[0])
    assert forecast.range_of(errors([1.0] * 9), 5.0) == (-5.0, 5.0)


@pytest.mark.parametrize("kind", ["normal", "drifting", "jumping", "heavy tails"])
@pytest.mark.parametrize("ahead", [1, 2])
def test_any_hundred_days_hold_the_aim(kind: str, ahead: int) -> None:
    """Whatever the errors do, the range said each day holds 75 to 85 of a hundred, and the next hundred too.

    Source of the bound: adaptive conformal inference, Gibbs and Candes 2021 (from memory), at this rate. It is for
    hits and misses known the next day; two days ahead they come a day later, which may cost two more.
    """
    random = np.random.default_rng(8)
    values = random.normal(0.0, 1.0, 240)
    if kind == "drifting":
        values += np.linspace(0.0, 12.0, 240)
    elif kind == "jumping":
        values *= np.where(np.arange(240) // 30 % 2, 2.0, 1.0)
    elif kind == "heavy tails":
        values = random.standard_t(2.0, 240)
    past = errors([float(v) for v in values])
    held = []
    for n in range(40, 240):
        low, high = forecast.range_of(past[: n - ahead + 1], 5.0, ahead)
        held.append(low <= values[n] <= high)
    most = 5 if ahead == 1 else 7
    assert abs(sum(held[:100]) - 80) <= most
    assert abs(sum(held[100:]) - 80) <= most


def test_a_range_never_reaches_over_the_clear_sky() -> None:
    """Where the sky bounds the day, the range ends there, and past ranges are judged as they were said."""
    past = [forecast.Error(float(v), 1.0) for v in np.random.default_rng(3).normal(0.0, 2.0, 60)]
    assert forecast.range_of(past, 5.0, 1, 1.0)[1] <= 1.0
    assert forecast.range_of([], 5.0, 1, 1.0) == (-5.0, 1.0)


def test_just_after_midnight_the_evening_before_counts(greensboro: Record) -> None:
    """At midnight and soon after, today has no hours yet; the forecast goes on from the last full hour."""
    for hour in (0, 1):
        found = said(greensboro, 60, hour)
        assert found.day == (greensboro.start + timedelta(days=61)).date()
        assert -25.0 < found.leaf_bare.low < found.leaf_bare.high < 25.0
    one = {m: rows[:30] for m, rows in greensboro.rolls.items()}
    now = greensboro.start + timedelta(days=1)
    days = forecast.days_of({m: rows[20:24] for m, rows in one.items()}, now, greensboro.start.tzinfo or UTC)
    assert forecast.outlook(days, forecast.LIDS["twin"], now.date()) is None  # an evening is no day


# -- files -----------------------------------------------------------------------------------------

START = datetime(2027, 1, 15, 15, tzinfo=UTC)


def csv_text(skip: range = range(0), **other: str) -> str:
    """A forecast of two days, hour by hour, invented."""
    rows = ["time,outside_degc,sun_percent"]
    for n in range(49):
        if n not in skip:
            when = (START + timedelta(hours=n)).strftime("%Y-%m-%dT%H:%M")
            rows.append(other.get(f"row{n}", f"{when},{-2 + n % 24 / 4:.1f},50"))
    return "\n".join(rows) + "\n"


def read_text(tmp_path: Path, text: str) -> Forecast:
    """Read a forecast that has to reach over 33 hours."""
    path = tmp_path / "forecast"
    path.write_text(text, encoding="utf-8")
    return read(path, UTC, START.timestamp(), (START + timedelta(hours=33)).timestamp())


def test_csv_and_json_say_the_same(tmp_path: Path) -> None:
    """Both forms give the same hours; JSON may say how far off its forecasts are."""
    one = read_text(tmp_path, csv_text())
    body = {"spread_k": 1.5, "hours": [
        {"time": datetime.fromtimestamp(h.time_s, UTC).isoformat(), "outside_degc": h.outside_degc, "sun_percent": 50}
        for h in one.hours
    ]}  # fmt: skip
    other = read_text(tmp_path, json.dumps(body))
    assert other.hours == one.hours
    assert (one.spread_k, other.spread_k) == (2.0, 1.5)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (csv_text(skip=range(5, 10)), "has a hole from 2027-01-15 19:00 to 2027-01-16 01:00"),
        (csv_text(skip=range(20, 49)), "has a hole from 2027-01-16 10:00"),
        (csv_text(row3="2027-01-15T14:00,1,50"), "does not come after"),
        (csv_text(row3="yesterday,1,50"), 'line 5: "yesterday" is not a time'),
        (csv_text(row3="2027-01-15T18:00,mild,50"), "line 5: outside_degc is 'mild'"),
        (csv_text(row3="2027-01-15T18:00,,50"), "line 5: outside_degc is missing"),
        (csv_text(row3="2027-01-15T18:00,1,150"), "sun_percent is '150'"),
        ("hour,temp\n1,2\n", "has to name the columns time and outside_degc"),
        ("time,outside_degc\n", "holds no hours"),
        ("time,outside_degc\n2025-01-01T00:00,1\n", "Get a newer forecast"),
        ("{", "is not proper JSON"),
        ('{"hours": 3}', '"hours" has to be a list'),
        ('{"spread_k": true, "hours": []}', '"spread_k" is True'),
    ],
)
def test_faulty_forecasts_are_refused(tmp_path: Path, text: str, words: str) -> None:
    """A hole, a wrong order, a wrong value: one sentence that says where, and nothing is forecast."""
    with pytest.raises(InputError) as fault:
        read_text(tmp_path, text)
    assert words in fault.value.sentence
    assert "Nothing was forecast." in fault.value.sentence


# -- command ---------------------------------------------------------------------------------------


def fill(store: Store, until_s: float, days: int = 20) -> None:
    """Invented readings every quarter of an hour: a warm noon, a cold dawn, the lid open around noon."""
    rows = []
    for n in range(days * 96 + 50):
        time_s = until_s - 900 * (days * 96 + 50 - n)
        hour = time_s % 86_400 / 3600
        sun = max(0.0, 1.0 - abs(hour - 13.0) / 5.0)
        air = 1.0 + 15.0 * sun + 2.0 * np.sin(n / 700)
        values = {"air": air, "outside": -1.0 + 6.0 * sun, "lid": 0.1 if 11 <= hour < 15 else 0.0}
        rows.append(Reading("north", 1, n, time_s, values))
    store.add_readings(rows)


def test_forecast_command_tells_and_gives_json(
    run: Callable[..., Result], store: Store, clock: Any, home: Path
) -> None:
    """The command says ranges, the lid's plan and the cover; JSON holds the same figures."""
    fill(store, clock.now_s())
    text = run("forecast", "north").output
    assert "tomorrow's peak in the frame" in text
    assert "open at about 11:00 and be shut at about 15:00" in text
    body = json.loads(run("forecast", "north", "--json").output)
    assert body["leaf_bare"]["low"] <= body["leaf_bare"]["about"] <= body["leaf_bare"]["high"]
    assert body["by_forecast"] is False
    start = datetime.fromtimestamp(clock.now_s(), UTC)
    path = home / "tomorrow.csv"
    lines = [f"{(start + timedelta(hours=n)).isoformat()},-12" for n in range(37)]
    path.write_text("time,outside_degc\n" + "\n".join(lines) + "\n")
    colder = json.loads(run("forecast", "north", "--file", str(path), "--json").output)
    assert colder["by_forecast"] is True
    assert colder["leaf_bare"]["about"] < body["leaf_bare"]["about"] - 5.0
    assert colder["peak"]["about"] < body["peak"]["about"] - 5.0


def test_forecast_without_a_day_of_readings(run: Callable[..., Result], store: Store) -> None:
    """A frame without a past is told so, in a sentence."""
    result = run("forecast", "north", code=2)
    assert "north has no whole day of readings" in result.output
