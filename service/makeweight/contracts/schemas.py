"""The published schemas: JSON Schema 2020-12 with an example for every message, and an AsyncAPI 3 document."""

from typing import Any

from makeweight.contracts.codec import parse
from makeweight.contracts.examples import EXAMPLES
from makeweight.contracts.topics import SCHEMAS, TOPICS, Topic

DIALECT = "https://json-schema.org/draft/2020-12/schema"
ID = "urn:makeweight:schema:{name}:v1"


def schema(name: str) -> dict[str, Any]:
    """The schema of a message, with its versioned id and its example."""
    return {
        "$schema": DIALECT,
        "$id": ID.format(name=name),
        **SCHEMAS[name].schema(),
        "examples": [parse(EXAMPLES[name])],
    }


def asyncapi() -> dict[str, Any]:
    """AsyncAPI 3.0 of the topic catalogue: a channel and an operation for each topic."""
    return {
        "asyncapi": "3.0.0",
        "info": {"title": "Makeweight", "version": "1.0.0", "description": "Orders in, pick tickets out."},
        "defaultContentType": "application/json",
        "channels": {_channel(topic): _described(topic) for topic in TOPICS},
        "operations": {
            f"{verb}-{_channel(topic)}": {"action": verb, "channel": {"$ref": f"#/channels/{_channel(topic)}"}}
            for topic in TOPICS
            for verb in _verbs(topic)
        },
    }


def _channel(topic: Topic) -> str:
    return topic.name.replace(".", "-")


def _verbs(topic: Topic) -> list[str]:
    return {"in": ["receive"], "out": ["send"], "inside": ["receive", "send"]}[topic.direction]


def _described(topic: Topic) -> dict[str, Any]:
    return {
        "address": topic.name,
        "description": f"{topic.about} Keyed by {topic.key}.",
        "messages": {topic.schema: {"name": topic.schema, "payload": {"$ref": f"./{topic.schema}.schema.json"}}},
        "bindings": {
            "kafka": {
                "topicConfiguration": {"cleanup.policy": [topic.cleanup], "retention.ms": topic.retention_ms},
                "bindingVersion": "0.5.0",
            }
        },
    }
