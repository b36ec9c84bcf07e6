"""What frames say is checked before anybody believes it, the same way the published schemas say it."""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from sashkeeper.wire import messages
from sashkeeper.wire.messages import Refused, decode_event, decode_readings, split_topic

T0 = 1_770_724_800
SCHEMAS = Path(__file__).resolve().parents[2] / "docs" / "protocol" / "schemas"

DECODERS: dict[str, Callable[[bytes], Any]] = {
    "presence": messages.decode_presence,
    "report": messages.decode_report,
    "settings-actual": messages.decode_actual,
    "order-answer": messages.decode_answer,
    "update-answer": messages.decode_update_answer,
    "event": lambda payload: decode_event("north", payload, T0),
    "readings": lambda payload: decode_readings(json.loads(payload)[0]["bn"][:-1], payload, T0),
}


def schema(name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((SCHEMAS / f"{name}.json").read_text(encoding="utf-8"))
    return found


@pytest.mark.parametrize("name", sorted(DECODERS))
def test_the_published_examples_are_taken(name: str) -> None:
    """Every example of the published schemas is a message that we take."""
    for example in schema(name)["examples"]:
        assert DECODERS[name](json.dumps(example).encode()) is not None


def mutate(value: Any, rng: random.Random) -> Any:
    """A copy with one thing wrong in it: a field gone, of another type, or out of range."""
    changed = copy.deepcopy(value)
    where = changed
    path = []
    while isinstance(where, dict | list) and where:
        key = rng.choice(list(where) if isinstance(where, dict) else list(range(len(where))))
        path.append((where, key))
        where = where[key]
        if rng.random() < 0.4:
            break
    holder, key = path[-1]
    if rng.random() < 0.3 and isinstance(holder, dict):
        del holder[key]
    else:
        holder[key] = rng.choice([None, True, -7, 1.5, 10**12, "x", "No Such", [], {}, [1], "a" * 300])
    return changed


@pytest.mark.parametrize("name", sorted(DECODERS))
def test_mutated_messages_are_refused_or_harmless(name: str) -> None:
    """Of 1,000 broken messages none crashes us, and what we take although the schema does not is only extra words."""
    rng = random.Random(name)
    validator = Draft202012Validator(schema(name))
    refused = taken_though_invalid = 0
    for _ in range(1000):
        broken = mutate(rng.choice(schema(name)["examples"]), rng)
        try:
            payload = json.dumps(broken).encode()
            if name == "readings" and not (
                broken and isinstance(broken[0], dict) and isinstance(broken[0].get("bn"), str)
            ):
                continue
            DECODERS[name](payload)
            taken_though_invalid += not validator.is_valid(broken)
        except Refused:
            refused += 1
    assert refused > 200
    # Fields that the host does not use (firmware, details of an event) are not its to judge.
    assert taken_though_invalid < 500


@pytest.mark.parametrize("name", sorted(set(DECODERS) - {"readings"}))
def test_random_bytes_never_crash(name: str) -> None:
    """Anything at all on a topic is refused in the same orderly way."""
    rng = random.Random(5)
    for size in [*range(40), 1000, 20_000]:
        with pytest.raises(Refused):
            DECODERS[name](rng.randbytes(size))
    for text in ("[" * 10_000, '{"v":' * 3000, "1e999", "NaN", '{"v":1e400}', "9" * 5000, "null", '"x"', "\ufeff{}"):
        with pytest.raises(Refused):
            DECODERS[name](text.encode())


@pytest.mark.parametrize(
    "topic",
    ["", "frames", "frames/", "frames//readings", "frames/North/readings", "frames/north", "other/north/readings",
     "frames/" + "a" * 33 + "/readings", "frames/no rth/readings", "$SYS/broker", "frames/north\n/readings"],
)  # fmt: skip
def test_topics_that_are_not_ours(topic: str) -> None:
    """Only frames/<id>/<suffix> with a proper id is looked at."""
    with pytest.raises(Refused, match="topic"):
        split_topic(topic)


def test_topics_that_are_ours() -> None:
    """The suffix may have several levels."""
    assert split_topic("frames/north-2/settings/actual") == ("north-2", "settings/actual")


def test_a_pack_becomes_a_reading(pack: Callable[..., bytes]) -> None:
    """Values, boot, number and time come from the pack."""
    got = decode_readings("north", pack("north", 5, 17, T0, air=12.4, lid=0.1, battery=12), T0 + 1)
    assert (got.frame, got.boot, got.seq, got.time_s, got.stamped) == ("north", 5, 17, T0, False)
    assert got.values == {"air": 12.4, "lid": 0.1, "battery": 12}


def test_a_frame_without_a_clock_gets_the_time_of_arrival(pack: Callable[..., bytes]) -> None:
    """Without a base time the host stamps, and says so."""
    got = decode_readings("north", pack("north", 5, 17, None, air=12.4), T0 + 1.5)
    assert (got.time_s, got.stamped) == (T0 + 1.5, True)


def test_the_quick_way_and_the_full_resolver_agree(pack: Callable[..., bytes]) -> None:
    """A pack means the same however it is written: same reading through either way."""
    plain = decode_readings("north", pack("north", 5, 17, T0, air=12.4, outside=-3.25, lid=0.1), T0 + 1)
    other = [
        {"n": "boot", "bn": "north/", "u": "count", "v": 5, "t": T0},
        {"n": "outside", "u": "Cel", "v": -3.25, "t": T0},
        {"n": "lid", "u": "/", "v": 0.1, "t": T0, "note": "x"},
        {"n": "air", "bu": "Cel", "v": 12.4, "t": T0},
        {"n": "seq", "u": "count", "v": 17, "t": T0},
    ]
    assert decode_readings("north", json.dumps(other).encode(), T0 + 1) == plain


@pytest.mark.parametrize(
    ("records", "reason"),
    [
        ([], "form"),
        ({"n": "air"}, "form"),
        ([{"bn": "south/", "n": "seq", "u": "count", "v": 1}], "name"),
        ([{"bn": "north/", "n": "air", "u": "Cel", "v": 1}], "form"),
        ([{"bn": "north/", "n": "seq", "u": "count", "v": 1.5}, {"n": "boot", "u": "count", "v": 1}], "value"),
        ([{"bn": "north/", "n": "seq", "u": "count", "v": -1}, {"n": "boot", "u": "count", "v": 1}], "value"),
        ([{"bn": "north/", "n": "seq", "u": "count", "v": 1}, {"n": "boot", "u": "count", "v": 1 << 24}], "value"),
        ([{"bn": "north/", "n": "seq", "u": "count", "v": 1}, {"n": "air", "u": "degF", "v": 1}], "unit"),
        ([{"bn": "north/", "n": "seq", "u": "count", "v": 1}, {"n": "air", "u": "Cel", "v": 1e9}], "value"),
        ([{"bn": "north/", "n": "seq", "u": "count", "v": 1}, {"n": "air", "u": "Cel", "v": "warm"}], "value"),
        ([{"bn": "north/", "n": "seq", "u": "count", "v": 1}, {"n": "air", "u": "Cel", "v": True}], "value"),
        ([{"bn": "north/", "n": "seq", "u": "count", "v": 1}, {"n": "seq", "u": "count", "v": 2}], "form"),
        ([{"bn": "north/", "n": "seq", "u": "count", "v": 1}, {"n": "a'); DROP", "u": "Cel", "v": 2}], "name"),
        ([{"bn": "north/", "n": "seq", "u": "count", "v": 1}, {"n": "boot", "u": "count", "v": 1, "t": -60}], "form"),
        ([{"bn": "north/", "n": "seq", "u": "count", "v": 1}, {"n": "boot", "u": "count", "v": 1, "x_": 0}], "senml"),
        ([{"bn": "north/", "bt": 1000000000, "n": "seq", "u": "count", "v": 1}, {"n": "boot", "u": "count", "v": 1}],
         "time"),
        ([{"bn": "north/", "bt": 5e9, "n": "seq", "u": "count", "v": 1}, {"n": "boot", "u": "count", "v": 1}], "time"),
    ],
)  # fmt: skip
def test_packs_that_are_refused(records: Any, reason: str) -> None:
    """Each wrong pack is refused for its own reason."""
    with pytest.raises(Refused) as why:
        decode_readings("north", json.dumps(records).encode(), T0)
    assert why.value.reason == reason


def test_a_message_that_is_too_long_is_not_even_read() -> None:
    """The size is looked at before the JSON."""
    with pytest.raises(Refused) as why:
        messages.decode_report(b"[" * (messages.MAX_BYTES + 1))
    assert why.value.reason == "size"


def test_schemas_and_checks_know_the_same_words() -> None:
    """Lid states, modes and units are the published ones."""
    lid = schema("report")["properties"]["lid"]["properties"]["state"]["enum"]
    assert set(lid) == messages.LID_STATES
    assert set(schema("report")["properties"]["mode"]["enum"]) == messages.MODES


@pytest.mark.parametrize(
    "body",
    [{"kind": "move", "from_permille": "x"}, {"kind": "move", "to_permille": 1001}, {"kind": "moved",
     "position_permille": None}, {"kind": "fault", "fault": 7}, {"kind": "fault", "fault": "No Word"},
     {"kind": "hold", "on": 1}, {"kind": "hold"}, {"kind": "reset", "cause": []}, {"kind": "refused", "why": {}}],
)  # fmt: skip
def test_details_of_events_are_checked(body: dict[str, Any]) -> None:
    """What the alarms take for a number, a word or a yes is refused when it is something else."""
    whole = {"v": 1, "boot": 1, "seq": 1, "time_s": T0, **body}
    with pytest.raises(Refused):
        decode_event("north", json.dumps(whole).encode(), T0)
