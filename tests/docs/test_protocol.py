"""The written contract on the wire: valid, complete, and strict enough to refuse nonsense."""

from __future__ import annotations

import copy
import json
import random
from pathlib import Path
from typing import Any

import pytest
import yaml
from jsonschema import Draft202012Validator

PROTOCOL = Path(__file__).resolve().parents[2] / "docs" / "protocol"
FILES = sorted((PROTOCOL / "schemas").glob("*.json"))
SCHEMAS = {path.stem: json.loads(path.read_text(encoding="utf-8")) for path in FILES}
CONTRACT = yaml.safe_load((PROTOCOL / "asyncapi.yaml").read_text(encoding="utf-8"))

# Suffix -> (who sends, schema, retained): the agreed list, written out here and not read from the files under test.
TOPICS = {
    "presence": ("frame", "presence", True),
    "readings": ("frame", "readings", False),
    "report": ("frame", "report", True),
    "events": ("frame", "event", False),
    "settings/wanted": ("host", "settings-wanted", True),
    "settings/actual": ("frame", "settings-actual", True),
    "orders": ("host", "order", False),
    "orders/answer": ("frame", "order-answer", False),
    "update": ("host", "update", False),
    "update/answer": ("frame", "update-answer", False),
}


def valid(name: str, value: Any) -> bool:
    """Whether `value` fits the schema `name`."""
    return bool(Draft202012Validator(SCHEMAS[name]).is_valid(value))


@pytest.mark.parametrize("name", sorted(SCHEMAS))
def test_schema_is_valid_and_accepts_its_own_examples(name: str) -> None:
    """Each schema must be JSON Schema 2020-12 and hold for the examples that it shows."""
    Draft202012Validator.check_schema(SCHEMAS[name])
    assert SCHEMAS[name]["$schema"].endswith("2020-12/schema")
    assert SCHEMAS[name]["examples"]
    for example in SCHEMAS[name]["examples"]:
        assert not list(Draft202012Validator(SCHEMAS[name]).iter_errors(example))


def test_every_topic_is_described_once() -> None:
    """The contract must name exactly the agreed topics, with direction, QoS 1, retain flag and schema."""
    assert CONTRACT["asyncapi"] == "3.0.0"
    found = {}
    for operation in CONTRACT["operations"].values():
        channel_id = operation["channel"]["$ref"].rsplit("/", 1)[1]
        channel = CONTRACT["channels"][channel_id]
        message = CONTRACT["components"]["messages"][channel_id]
        schema = message["payload"]["schema"]["$ref"]
        assert (PROTOCOL / schema).is_file()
        who = {"send": "frame", "receive": "host"}[operation["action"]]
        binding = operation["bindings"]["mqtt"]
        assert binding["qos"] == 1
        suffix = channel["address"].removeprefix("frames/{frame}/")
        assert suffix not in found
        found[suffix] = (who, Path(schema).stem, binding["retain"])
    assert found == TOPICS
    assert len(CONTRACT["channels"]) == len(TOPICS)


def test_every_reference_in_the_contract_leads_somewhere() -> None:
    """No $ref may dangle."""

    def walk(node: Any) -> None:
        if isinstance(node, dict):
            target = node.get("$ref")
            if isinstance(target, str) and target.startswith("#/"):
                place: Any = CONTRACT
                for part in target[2:].split("/"):
                    place = place[part]
            elif isinstance(target, str):
                assert (PROTOCOL / target).is_file(), target
            for value in node.values():
                walk(value)
        elif isinstance(node, list):
            for value in node:
                walk(value)

    walk(CONTRACT)


def test_will_of_the_server_binding_is_a_valid_presence() -> None:
    """The last will shown must itself be a valid message that says gone, retained."""
    will = CONTRACT["servers"]["home"]["bindings"]["mqtt"]["lastWill"]
    assert valid("presence", json.loads(will["message"]))
    assert json.loads(will["message"])["here"] is False
    assert will["retain"] is True


def places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Paths of all inner values."""
    inner: list[tuple[Any, Any]] = []
    if isinstance(value, dict):
        inner = list(value.items())
    elif isinstance(value, list):
        inner = list(enumerate(value))
    found = [path] if path else []
    for key, item in inner:
        found += places(item, (*path, key))
    return found


def mutate(value: Any, rng: random.Random) -> Any:
    """One change that must never be acceptable: a wrong type, a lost or foreign member, a number out of all range."""
    result = copy.deepcopy(value)
    path = rng.choice(places(result))
    parent = result
    for key in path[:-1]:
        parent = parent[key]
    kind = rng.randrange(4)
    if kind == 0:
        parent[path[-1]] = rng.choice([[[]], {"x": {}}, 1e300, -1e300, "\u0000", b"".hex() + "?", True])
    elif kind == 1 and isinstance(parent, dict):
        del parent[path[-1]]
    elif kind == 2 and isinstance(parent, dict):
        parent["foreign_" + str(rng.randrange(100))] = 1
    elif isinstance(parent, dict):
        parent[path[-1] + "x"] = parent.pop(path[-1])
    else:
        parent[path[-1]] = {"foreign": rng.random()}
    return result


def harmless(name: str, before: Any, after: Any) -> bool:
    """Whether a mutation left something that the rules do allow; each case is written out."""
    if after == before:
        return True
    if name == "readings":  # a missing probe or a missing time is allowed
        return after[0].keys() >= {"bn", "n", "u", "v"} and [r for r in after if r in before or r is after[0]] == after
    if name == "settings-wanted-body":  # any subset of the settings
        left = after.get("settings")
        known = before["settings"]
        subset = isinstance(left, dict) and all(key in known and known[key] == left[key] for key in left)
        return subset and {**after, "settings": 0} == {**before, "settings": 0}
    if name == "order-body":  # orders without an argument
        return after == {key: value for key, value in before.items() if key != "arg"}
    return False


def test_1000_mutated_payloads_are_refused() -> None:
    """Of 1,000 damaged messages of every kind, none that breaks a rule may pass its schema."""
    rng = random.Random(8428)
    refused = 0
    passed = []
    while refused < 1000:
        name = rng.choice(sorted(SCHEMAS))
        before = rng.choice(SCHEMAS[name]["examples"])
        after = mutate(before, rng)
        if not valid(name, after):
            refused += 1
        elif not harmless(name, before, after) and not _free_text(before, after):
            passed.append((name, after))
    assert not passed


def _free_text(before: Any, after: Any) -> bool:
    """Whether only a free text changed, which may hold anything: body, why, detail, interpreter."""
    for path in places(after):
        if path[-1] in {"body", "why", "detail", "interpreter"}:
            holder_before, holder_after = before, after
            try:
                for key in path[:-1]:
                    holder_before, holder_after = holder_before[key], holder_after[key]
                if isinstance(holder_after[path[-1]], str):
                    holder_after = dict(holder_after, **{path[-1]: holder_before[path[-1]]})
            except (KeyError, TypeError):
                continue
            if holder_after == holder_before:
                return True
    return False


@pytest.mark.parametrize("unit", ["degC", "degF", "%", "V", ""])
def test_senml_units_are_the_registered_ones(unit: str) -> None:
    """A temperature may go out in no unit but Cel (RFC 8428, section 12.1)."""
    pack = copy.deepcopy(SCHEMAS["readings"]["examples"][0])
    pack[2]["u"] = unit
    assert not valid("readings", pack)


def test_senml_time_is_whole_and_absolute_or_relative() -> None:
    """bt must be whole seconds, either a Unix time or below 2^28 relative to arrival (RFC 8428, section 4.5.3)."""
    pack = copy.deepcopy(SCHEMAS["readings"]["examples"][0])
    for time, fits in ((1767225600, True), (-60, True), (1767225600.5, False), (268435456, False), ("now", False)):
        pack[0]["bt"] = time
        assert valid("readings", pack) is fits, time


def test_senml_record_has_one_value_and_no_foreign_label() -> None:
    """A record must carry v alone: no vs, vb, vd beside it, no label ending in an underscore."""
    for extra in ("vs", "vb", "vd", "foo_", "bver", "s"):
        pack = copy.deepcopy(SCHEMAS["readings"]["examples"][0])
        pack[3][extra] = 1
        assert not valid("readings", pack), extra


def test_settings_ranges_are_those_of_the_firmware() -> None:
    """The schema must state exactly the ranges that the controller checks."""
    from sash import settings

    fields = {field[0]: (field[2], field[3]) for field in settings.FIELDS}
    for name in ("settings-wanted-body", "settings-actual"):
        stated = SCHEMAS[name]["properties"]["settings"]["properties"]
        assert {key: (value["minimum"], value["maximum"]) for key, value in stated.items()} == fields
