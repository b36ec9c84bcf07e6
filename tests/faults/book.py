"""The bench's scenario files: what breaks (framesim.scenario) and what is expected of frame and host.

The `[expect]` table of a file:

covers     rows it belongs to: A1..A20 of the growers' list in README.md, REL-1..REL-12 of the self-checks
since      what the clock starts at: "fault" (the beginning of the last entry that began, the default),
           "opening" or "shutting" (the first such drive told after that)
alarms     the host's alarms, any one of which must ring; one list, or a table {sun = [...], frost = [...]};
           an empty list: nothing urgent may ring
within_s   their time limit, one number or {sun = .., frost = ..}
words      fault words of the frame, any of which must be said; word_s their limit
after      how it ends once the fault is gone: "itself", "person" (somebody orders the frame back to
           automatic) or "stays" (something has to be mended; only the invariants count)
within_after_s   time for that, default 2700
left       fault words and alarms that may still stand after that
weathers   default both
fit        what is different about this frame: air2, pot, light, wind, rain, humidity (fitted too), no-switches,
           narrow (the narrowest crack there is, or 30 permille; else 100, so that drives last long enough to break)
unseen     why the truth cannot be known on such a frame: then the truth-of-the-bed invariants do not count
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

SCENARIOS = Path(__file__).parent / "scenarios"
WEATHERS = ("sun", "frost")
FITS = {"air2", "pot", "light", "wind", "rain", "humidity", "no-switches", "narrow"}
AFTER = {"itself", "person", "stays"}
SINCE = {"fault", "opening", "shutting"}


@dataclass(frozen=True)
class Expected:
    """What one scenario expects in one weather."""

    covers: tuple[str, ...]
    since: str = "fault"
    alarms: tuple[str, ...] = ()
    within_s: float = 0.0
    words: tuple[str, ...] = ()
    word_s: float = 0.0
    after: str = "itself"
    within_after_s: float = 2700.0
    left: tuple[str, ...] = ()
    fit: tuple[str, ...] = ()
    unseen: str = ""


@dataclass(frozen=True)
class Entry:
    """One scenario file."""

    name: str
    title: str
    text: str
    covers: tuple[str, ...]
    weathers: tuple[str, ...] = WEATHERS
    expected: dict[str, Expected] = field(default_factory=dict)


def _pick(value: Any, weather: str) -> Any:
    return value.get(weather) if isinstance(value, dict) else value


def read(path: Path) -> Entry:
    """Read one file; ValueError when its expectations cannot be meant."""
    text = path.read_text(encoding="utf-8")
    raw = tomllib.loads(text)
    asked: dict[str, Any] = dict(raw.get("expect", {}))
    weathers = tuple(asked.pop("weathers", WEATHERS))
    strange = set(asked) - set(Expected.__dataclass_fields__)
    if strange or not asked.get("covers") or not set(weathers) <= set(WEATHERS):
        raise ValueError(f"{path.name}: [expect] has unknown or missing lines {sorted(strange)}")
    expected = {}
    for weather in weathers:
        values = {name: _pick(value, weather) for name, value in asked.items()}
        values = {n: tuple(v) if isinstance(v, list) else v for n, v in values.items() if v is not None}
        one = Expected(**values)
        if one.after not in AFTER or one.since not in SINCE or not set(one.fit) <= FITS:
            raise ValueError(f"{path.name}: after, since or fit is not known")
        if bool(one.alarms) != bool(one.within_s) or bool(one.words) != bool(one.word_s):
            raise ValueError(f"{path.name}: alarms go with within_s, words with word_s")
        expected[weather] = one
    return Entry(path.stem, str(raw["name"]), text, tuple(asked["covers"]), weathers, expected)


def all_entries() -> list[Entry]:
    """Every scenario file, by name."""
    return [read(path) for path in sorted(SCENARIOS.glob("*.toml"))]
