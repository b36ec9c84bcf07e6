"""Who may say and hear what at the broker. One table for the embedded one and for Mosquitto."""

from __future__ import annotations

from .messages import FROM_FRAMES, FROM_HOST, TOPIC_ROOT

HOST_USER = "sashkeeper-host"


def may_publish(user: str, topic: str) -> bool:
    """Return whether an account may publish to a topic: a frame its own reports, the host what it asks for."""
    parts = topic.split("/", 2)
    if len(parts) != 3 or parts[0] != TOPIC_ROOT:
        return False
    if user == HOST_USER:
        return parts[2] in FROM_HOST
    return parts[1] == user and parts[2] in FROM_FRAMES


def may_hear(user: str, topic: str) -> bool:
    """Return whether an account may receive a topic (or subscribe to a filter that can match it)."""
    if user == HOST_USER:
        return topic == TOPIC_ROOT or topic.startswith(TOPIC_ROOT + "/")
    parts = topic.split("/", 2)
    if len(parts) != 3 or parts[0] != TOPIC_ROOT or parts[1] != user:
        return False
    # A frame may ask for everything under its name; what it then gets is checked message by message.
    return parts[2] in FROM_HOST or parts[2] in ("settings/#", "settings/+", "orders/#", "update/#", "#")


def mosquitto_rules(frames: list[str]) -> str:
    """Return the same rules in the form of a Mosquitto access file."""
    lines = [f"user {HOST_USER}", f"topic read {TOPIC_ROOT}/#"]
    lines += [f"topic write {TOPIC_ROOT}/+/{suffix}" for suffix in FROM_HOST]
    for frame in frames:
        lines += ["", f"user {frame}"]
        lines += [f"topic write {TOPIC_ROOT}/{frame}/{suffix}" for suffix in FROM_FRAMES]
        lines += [f"topic read {TOPIC_ROOT}/{frame}/{suffix}" for suffix in FROM_HOST]
    return "\n".join(lines) + "\n"
