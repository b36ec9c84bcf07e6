"""The description of the JSON interface, as OpenAPI 3.1."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import BaseModel, TypeAdapter

from .. import __version__

PROBLEM = {
    "type": "object",
    "description": "What went wrong (RFC 9457).",
    "required": ["type", "title", "status", "detail", "instance"],
    "properties": {
        "type": {"type": "string"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
        "instance": {"type": "string"},
    },
}
# address, method, sentence, body, answer's status, query
_TIME = {"type": "integer", "minimum": 0, "maximum": 4_102_444_800}
_READINGS = (
    ("from_s", _TIME, "first moment"),
    ("to_s", _TIME, "end"),
    ("step_s", {"enum": [0, 600, 3600]}, "0: every reading"),
)
_LIMIT = (("limit", {"type": "integer", "minimum": 1, "maximum": 1000}, "at most so many"),)
_OVER = (("over", {"enum": ["0", "1"]}, "also those that are over"),)
CALLS: tuple[tuple[str, str, str, str, int, Sequence[tuple[str, Mapping[str, Any], str]]], ...] = (
    ("/api", "get", "This description.", "", 200, ()),
    ("/api/session", "post", "Sign in.", "SignIn", 200, ()),
    ("/api/session", "get", "The present session and its token.", "", 200, ()),
    ("/api/session", "delete", "Sign out.", "", 204, ()),
    ("/api/frames", "get", "All frames, the worst first.", "", 200, ()),
    ("/api/frames/{frame}", "get", "One frame.", "", 200, ()),
    ("/api/frames/{frame}/readings", "get", "Readings or their means.", "", 200, _READINGS),
    ("/api/frames/{frame}/events", "get", "Events, newest first.", "", 200, _LIMIT),
    ("/api/frames/{frame}/settings", "get", "Settings in force and sent.", "", 200, ()),
    ("/api/frames/{frame}/settings", "put", "Send settings.", "Wanted", 200, ()),
    ("/api/frames/{frame}/orders", "post", "Give an order.", "Order", 200, ()),
    ("/api/frames/{frame}/diary", "post", "Write in the diary.", "Entry", 204, ()),
    ("/api/alarms", "get", "Alarms that stand or are kept silent.", "", 200, _OVER),
    ("/api/alarms/{number}", "get", "One alarm with its steps.", "", 200, ()),
    ("/api/alarms/{number}/known", "post", "Say that somebody knows.", "Nothing", 200, ()),
    ("/api/alarms/{number}/silence", "put", "Keep an alarm silent for a while.", "Silence", 200, ()),
    ("/api/alarms/{number}/silence", "delete", "Hear it again.", "", 200, ()),
    ("/api/phones", "post", "Subscribe a phone.", "Phone", 201, ()),
    ("/api/phones/key", "get", "The public push key.", "", 200, ()),
    ("/api/phones/test", "post", "Send a test to all phones.", "Nothing", 202, ()),
    ("/api/phones/forget", "post", "Forget the phone that asks.", "Forget", 204, ()),
    ("/api/phones/{phone}", "delete", "Forget a phone.", "", 204, ()),
)
# What comes back, where it is one of the page's own views: name, and whether it is a list of them.
ANSWERS: dict[tuple[str, str], tuple[str, bool]] = {
    ("/api/frames", "get"): ("Frame", True),
    ("/api/frames/{frame}", "get"): ("Frame", False),
    ("/api/alarms", "get"): ("Alarm", True),
    ("/api/alarms/{number}", "get"): ("Alarm", False),
    ("/api/alarms/{number}/known", "post"): ("Alarm", False),
    ("/api/alarms/{number}/silence", "put"): ("Alarm", False),
    ("/api/alarms/{number}/silence", "delete"): ("Alarm", False),
}
_OPEN = {("/api", "get"), ("/api/session", "post")}


def document(models: Sequence[type[BaseModel]]) -> dict[str, Any]:
    """Return the whole description."""
    schemas: dict[str, Any] = {"Problem": PROBLEM}
    for model in models:
        made = model.model_json_schema(ref_template="#/components/schemas/{model}")
        schemas.update(made.pop("$defs", {}))
        schemas[model.__name__] = made
    schemas.update(_views())
    paths: dict[str, Any] = {}
    for path, method, sentence, body, status, query in CALLS:
        paths.setdefault(path, {})[method] = _call(path, method, sentence, body, status, query)
    return {
        "openapi": "3.1.0",
        "info": {"title": "Sashkeeper page", "version": __version__, "description": "Frames, alarms and settings."},
        "paths": paths,
        "components": {
            "schemas": schemas,
            "securitySchemes": {
                "session": {"type": "apiKey", "in": "cookie", "name": "sashkeeper"},
                "token": {"type": "apiKey", "in": "header", "name": "x-sashkeeper-token"},
            },
        },
    }


def _views() -> dict[str, Any]:
    """Return the forms of a frame and an alarm, made from the views themselves (see api.frame_dict, alarm_dict)."""
    from .state import AlarmView, FrameView

    made = TypeAdapter(FrameView).json_schema(mode="serialization", ref_template="#/components/schemas/{model}")
    parts = made.pop("$defs", {})
    alarm = TypeAdapter(AlarmView).json_schema(mode="serialization")
    alarm["properties"]["known"] = {"type": "boolean"}
    alarm["properties"]["steps"] = {"type": "array", "items": {"type": "object"}}
    alarm["required"] = [*alarm.get("required", []), "known"]
    text = json.dumps(made).replace("#/components/schemas/AlarmView", "#/components/schemas/Alarm")
    frame = json.loads(text)
    for name in ("rank", "tone"):
        frame["properties"].pop(name)
        frame["required"].remove(name)
    parts.pop("AlarmView", None)
    return {**parts, "Alarm": alarm, "Frame": frame}


def _answer(path: str, method: str) -> dict[str, Any]:
    done: dict[str, Any] = {"description": "Done."}
    if (path, method) in ANSWERS:
        name, many = ANSWERS[(path, method)]
        one = {"$ref": f"#/components/schemas/{name}"}
        schema = {"type": "array", "items": one} if many else one
        done["content"] = {"application/json": {"schema": schema}}
    return done


def _call(
    path: str, method: str, sentence: str, body: str, status: int, query: Sequence[tuple[str, Mapping[str, Any], str]]
) -> dict[str, Any]:
    names = [part[1:-1] for part in path.split("/") if part.startswith("{")]
    call: dict[str, Any] = {
        "summary": sentence,
        "parameters": [
            *({"name": n, "in": "path", "required": True, "schema": {"type": "integer" if n == "number" else "string"}}
              for n in names),
            *({"name": n, "in": "query", "required": False, "description": words, "schema": dict(schema)}
              for n, schema, words in query),
        ],
        "responses": {
            str(status): _answer(path, method),
            "default": {
                "description": "It did not work.",
                "content": {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}},
            },
        },
    }  # fmt: skip
    if body:
        call["requestBody"] = {
            "required": True,
            "content": {"application/json": {"schema": {"$ref": f"#/components/schemas/{body}"}}},
        }
    if (path, method) in _OPEN:
        call["security"] = []
    else:
        call["security"] = [{"session": []} if method == "get" else {"session": [], "token": []}]
    return call
