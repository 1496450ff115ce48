"""Inputs that can't be processed and were put aside with their bytes: what a person sees of them."""

import base64
from typing import Any

from makeweight.domain.moments import Instant
from makeweight.domain.values import value

ASIDE_OF_AN_ORDER = 100  # in its story: a sender that goes on sending the same says nothing new with it


@value
class PutAside:
    """A reject as people see it: when it was put aside, of which topic, its key, and why.

    ``body`` are its bytes as they came; empty where nobody asked for them. ``revision`` is the order's that they name,
    where that can be told.
    """

    at: Instant
    topic: str
    key: str
    code: str
    sentence: str
    body: bytes = b""
    revision: int | None = None

    @property
    def why(self) -> str:
        """Its code and its sentence: 'malformed: member 'market' is missing'."""
        return f"{self.code.replace('_', ' ')}: {self.sentence}"


def as_json(one: PutAside) -> dict[str, Any]:
    """All of it: the bytes as text where they are UTF-8, so that they can be mended and sent again; else in base64."""
    told = {"at": one.at.isoformat(), "topic": one.topic, "key": one.key, "code": one.code, "sentence": one.sentence}
    try:
        return {**told, "body": one.body.decode()}
    except UnicodeDecodeError:
        return {**told, "body_base64": base64.b64encode(one.body).decode()}


def unseen(order: str, aside: list[PutAside]) -> str:
    """What is said of an order that was never taken in: that it was never seen, or what was put aside of it."""
    if not aside:
        return f"order {order!r} was never seen here"
    latest = aside[0]
    events = "an event of it was" if len(aside) == 1 else f"{len(aside)} events of it were"
    text = f"order {order!r} was never taken in: {events} put aside"
    return f"{text}, the latest at {latest.at.isoformat(timespec='seconds')}, {latest.why}"
