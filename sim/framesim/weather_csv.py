"""Plain tables of weather, own or from elsewhere, with a header line.

Lines before the header may say where and what, each ``# key: value`` with the keys name, lat, lon,
elevation_m, utc_offset_h, source, invented (yes/no). Then one header line and one line an hour::

    time_end           end of the hour, local standard time, 2026-11-01T13:00
    t_out_degc         air [degC]                             (or t_out)
    rh_percent         relative humidity [%]                  (or rh_out); or dew_degc
    wind_10m_m_s       wind at 10 m [m/s]                     (or wind_10m)
    ghi dni dhi        sun: global on the level, beam, diffuse on the level [W/m2], hour's means
    t_sky_degc         black-body sky [degC], optional        (or t_sky)
    dew_degc pressure_pa snow_mm rain_mm albedo               optional

Other columns (wind_local, sun_alt ...) are left alone. Years are taken as written.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from framesim.weather import WeatherError
from framesim.weather_raw import NEEDED, RawWeather, number, take_columns

_ALSO = {"t_out": "t_out_degc", "rh_out": "rh_percent", "wind_10m": "wind_10m_m_s", "t_sky": "t_sky_degc"}
_KNOWN = (*NEEDED, "rh_percent", "dew_degc", "t_sky_degc", "pressure_pa", "snow_mm", "rain_mm", "albedo")


def is_table(text: str) -> bool:
    """The first line that is no remark tells."""
    header = next((line for line in text.splitlines() if line.strip() and not line.startswith("#")), "")
    return header.split(",")[0].strip() == "time_end"


def read_table(path: Path, text: str) -> RawWeather:
    """Parse; checks of the values themselves come later."""
    said: dict[str, str] = {}
    names: list[str] = []
    rows: list[tuple[int, list[str]]] = []
    for n, line in enumerate(text.splitlines(), 1):
        if line.startswith("#"):
            key, colon, value = line[1:].partition(":")
            if colon:
                said[key.strip()] = value.strip()
        elif not line.strip():
            continue
        elif not names:
            names = [_ALSO.get(name.strip(), name.strip()) for name in line.split(",")]
        else:
            fields = line.split(",")
            if len(fields) != len(names):
                raise WeatherError(
                    f"{path.name}, line {n}: {len(fields)} fields where the header has {len(names)}. Correct the line."
                )
            rows.append((n, fields))
    _mind_header(path, names, rows)
    wanted = [(name, names.index(name), name, float) for name in _KNOWN if name in names]
    return RawWeather(
        path=path,
        kind="table",
        ends=[_end(path, line, fields[0]) for line, fields in rows],
        lines=[line for line, _ in rows],
        columns=take_columns(rows, wanted, path),
        lat=_said(path, said, "lat"),
        lon=_said(path, said, "lon"),
        elevation_m=_said(path, said, "elevation_m"),
        utc_offset_h=_said(path, said, "utc_offset_h"),
        name=said.get("name", path.name.split(".")[0]),
        source=said.get("source", f"table {path.name}"),
        typical_year=False,
        invented=said.get("invented", "no").lower() in ("yes", "true", "1"),
    )


def _mind_header(path: Path, names: list[str], rows: list[tuple[int, list[str]]]) -> None:
    lacking = [name for name in NEEDED if name not in names]
    if "rh_percent" not in names and "dew_degc" not in names:
        lacking.append("rh_percent")
    if lacking:
        raise WeatherError(
            f"{path.name}: the header has no column {', '.join(lacking)}. Add it; unknown hours may be empty."
        )
    if not rows:
        raise WeatherError(f"{path.name}: no hours after the header line.")


def _said(path: Path, said: dict[str, str], key: str) -> float | None:
    return number(said[key], path, 1, key) if key in said else None


def _end(path: Path, line: int, text: str) -> datetime:
    try:
        end = datetime.fromisoformat(text.strip())
        if end.tzinfo is not None or end.minute or end.second:
            raise ValueError
        return end
    except ValueError:
        raise WeatherError(
            f'{path.name}, line {line}: "{text.strip()}" is no full hour such as 2026-11-01T13:00 '
            "(local standard time, no zone behind it). Correct it."
        ) from None
