"""Holds any message against the published contract (docs/protocol)."""

from __future__ import annotations

import functools
import json
from pathlib import Path
from typing import Any

import yaml
from jsonschema import Draft202012Validator

PROTOCOL = Path(__file__).resolve().parents[2] / "docs" / "protocol"


@functools.cache
def channels() -> dict[str, Draft202012Validator]:
    """Validator by topic suffix, read from the AsyncAPI document."""
    contract = yaml.safe_load((PROTOCOL / "asyncapi.yaml").read_text(encoding="utf-8"))
    found = {}
    for name, channel in contract["channels"].items():
        suffix = channel["address"].split("/", 2)[2]
        reference = contract["components"]["messages"][name]["payload"]["schema"]["$ref"]
        found[suffix] = Draft202012Validator(json.loads((PROTOCOL / reference).read_text(encoding="utf-8")))
    return found


def fault_of(topic: str, payload: bytes) -> str:
    """Return why a message is not as documented, or an empty text."""
    _, _, suffix = topic.split("/", 2)
    if suffix not in channels():
        return "topic is not documented"
    if not payload and suffix in ("presence", "report", "settings/wanted", "settings/actual"):
        return ""  # an empty retained message clears the topic
    try:
        value: Any = json.loads(payload)
    except ValueError as fault:
        return f"not JSON: {fault}"
    faults = [f"{'/'.join(map(str, e.absolute_path))}: {e.message}" for e in channels()[suffix].iter_errors(value)]
    return "; ".join(faults)[:500]
