"""Sensors that publish over Wi-Fi: messages of an MQTT broker, as lines.

The port is written ``mqtt://BROKER[:PORT]/TOPIC``; a user's name goes before the broker (``mqtt://user@broker/...``), the password into
the environment variable ``FAREND_MQTT_PASSWORD``. A message holds a line (``1000,93.2``, ``P=93.2 psi``) or several, or a JSON object
whose values are picked by ``--columns t_ms,tool`` (a dot leads into objects within it).

What a broker may do to a stream of readings is undone here: a retained message is an old reading, and is left out; one that is
delivered again is left out; one that comes late is put right by the sensor's own time stamps where it sends them.
"""

from __future__ import annotations

import json
import os
import queue
import threading
from collections import Counter
from typing import Any, Final
from urllib.parse import unquote, urlsplit

CONNECT_S: Final = 5.0
WAIT_S: Final = 0.05
KEEP_ALIVE_S: Final = 10  # a broker that says nothing for half as long again is taken for gone
LONGEST: Final = 1 << 16


class MqttSource:
    """A topic of a broker.

    Parameters
    ----------
    port : str
        ``mqtt://BROKER[:PORT]/TOPIC``.
    columns : str, optional
        Names of the values in messages that are JSON objects, in the order of the columns.

    Attributes
    ----------
    bad : Counter
        Messages that were left out, by the reason.

    Raises
    ------
    OSError
        If the broker cannot be reached now, or refuses.
    ValueError
        If the port is not written as one can be.
    """

    def __init__(self, port: str, columns: str | None = None) -> None:
        from paho.mqtt import client as mqtt
        from paho.mqtt.enums import CallbackAPIVersion

        place = urlsplit(port)
        topic = unquote(place.path.lstrip("/"))
        if not place.hostname or not topic:
            msg = "write it as mqtt://BROKER/TOPIC, e.g. mqtt://192.168.1.5/shop/tool"
            raise ValueError(msg)
        self._columns = None if columns is None else [c.strip() for c in columns.split(",")]
        self._topic = topic
        self._messages: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        self._messages.put(b"#")  # the first line is thrown away, as it may be torn; here every message is whole
        self._ready, self._gone = threading.Event(), threading.Event()
        self._why = "it does not answer"
        self._last: dict[str, bytes] = {}
        self.bad: Counter[str] = Counter()
        client = mqtt.Client(CallbackAPIVersion.VERSION2, reconnect_on_failure=False)
        if place.username:
            client.username_pw_set(unquote(place.username), os.environ.get("FAREND_MQTT_PASSWORD"))
        client.on_connect, client.on_subscribe, client.on_disconnect = self._on_connect, self._on_subscribe, self._on_disconnect
        client.on_message = self._on_message
        client.connect_timeout = CONNECT_S
        self._client: Any = client
        client.connect(place.hostname, place.port or 1883, keepalive=KEEP_ALIVE_S)
        client.loop_start()
        if not self._ready.wait(CONNECT_S) or self._gone.is_set():
            self.close()
            raise OSError(self._why)

    # Called by the client's thread

    def _on_connect(self, client: Any, _data: object, _flags: object, reason: Any, _properties: object) -> None:
        if reason.is_failure:
            self._why = f"it refuses: {reason}. Give a user in the URL and FAREND_MQTT_PASSWORD"
            self._gone.set()
            self._ready.set()
            return
        client.subscribe(self._topic, qos=1)

    def _on_subscribe(self, _client: Any, _data: object, _number: int, reasons: list[Any], _properties: object) -> None:
        if any(r.is_failure for r in reasons):
            self._why = f"it gives no access to {self._topic}"
            self._gone.set()
        self._ready.set()

    def _on_disconnect(self, _client: Any, _data: object, _flags: object, _reason: object, _properties: object) -> None:
        self._gone.set()

    def _on_message(self, _client: Any, _data: object, message: Any) -> None:
        payload = bytes(message.payload)
        if message.retain:
            self.bad["retained message, an old reading"] += 1
        elif message.dup and self._last.get(message.topic) == payload:
            self.bad["message delivered twice"] += 1
        elif len(payload) > LONGEST:
            self.bad["message too long"] += 1
        else:
            self._last[message.topic] = payload
            self._messages.put(payload)

    # Called by the recorder

    def read(self) -> bytes:
        """Return the lines of the messages that have come."""
        lines = b""
        try:
            lines += self._lines(self._messages.get(timeout=WAIT_S))
            while len(lines) < LONGEST:
                lines += self._lines(self._messages.get_nowait())
        except queue.Empty:
            if not lines and self._gone.is_set():
                message = "the broker has gone"
                raise OSError(message) from None
        return lines

    def _lines(self, payload: bytes) -> bytes:
        text = payload.strip()
        if text.startswith(b"{"):
            return self._from_json(text)
        return text + b"\n" if text else b""

    def _from_json(self, text: bytes) -> bytes:
        if self._columns is None:
            self.bad["JSON, and no --columns to say which of its values are meant"] += 1
            return b""
        try:
            message = json.loads(text)
            values = [_value(message, name) for name in self._columns]
        except (ValueError, RecursionError):
            self.bad["JSON that is not understood"] += 1
            return b""
        return (",".join(values) + "\n").encode()

    def ask(self) -> None:
        """Nobody is asked: sensors publish when they do."""

    def close(self) -> None:
        """Leave the broker."""
        self._client.disconnect()
        self._client.loop_stop()


def _value(message: Any, name: str) -> str:
    """A value of a JSON object as text, "" if it is not there; the unit that a column's name ends in may be missing in the key."""
    from logger.lines import TIME_COLUMNS, split_unit

    if name == "-":
        return "0"
    stem = name if name in TIME_COLUMNS else split_unit(name)[0]
    for key in (name, stem):
        found = message
        for step in key.split("."):
            found = found.get(step) if isinstance(found, dict) else None
        if isinstance(found, int | float) and not isinstance(found, bool):
            return f"{found!r}"
    return ""
