"""The MQTT library's client, with a short way for what a host hears most."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTErrorCode

# Topic, payload, packet id, QoS, retained.
Arrived = tuple[str, bytes, int, int, bool]


class LeanClient(mqtt.Client):
    """The library's client with a short way for the one packet that comes a thousand times a second.

    For each PUBLISH the library makes a message object with locks for the sending side, looks through
    filters and formats a log line: a third of the time of a message. Here a QoS 1 publish of MQTT 3.1.1,
    or of MQTT 5 without properties, is cut up and handed over. Anything else, and a library that no
    longer calls this method, goes the usual way through `on_message`.
    """

    def __init__(self, arrive: Callable[[Arrived], None], *args: Any, **named: Any) -> None:
        super().__init__(*args, **named)
        self._arrive = arrive

    def _handle_publish(self) -> MQTTErrorCode:
        head, packet = self._in_packet["command"], self._in_packet["packet"]
        end = 2 + (packet[0] << 8 | packet[1]) if len(packet) > 3 else 0
        # Flags: bit 3 again, bits 2-1 QoS, bit 0 retained. Source: OASIS MQTT 3.1.1, section 3.3.
        if head & 0x06 != 0x02 or not 2 < end <= len(packet) - 2:
            return super()._handle_publish()
        start = end + 2
        if self._protocol == mqtt.MQTTv5:
            # After the packet id comes the length of the properties. Source: OASIS MQTT 5.0, section 3.3.2.3.
            if start >= len(packet) or packet[start]:
                return super()._handle_publish()
            start += 1
        elif self._protocol != mqtt.MQTTv311:
            return super()._handle_publish()
        try:
            topic = packet[2:end].decode()
        except UnicodeDecodeError:
            topic = ""  # refused and counted like any other wrong topic
        mid = packet[end] << 8 | packet[end + 1]
        self._arrive((topic, bytes(packet[start:]), mid, 1, bool(head & 1)))
        return MQTTErrorCode.MQTT_ERR_SUCCESS
