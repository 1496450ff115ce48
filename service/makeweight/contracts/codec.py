"""JSON in and out for any value of the program."""

from operator import attrgetter
from typing import Any, Generic, TypeVar, cast

import orjson
from pydantic import ConfigDict, TypeAdapter, ValidationError

from makeweight.contracts.problems import WireError, faults, in_words

T = TypeVar("T")


def dumps(kept: object) -> bytes:
    """JSON of a value: members in the order they were declared, instants as RFC 3339.

    Left to itself, orjson passes over members of a dataclass that begin with an underscore and ends the process at one
    whose name is empty; an order holds whatever names the shop's back end gave, so it reads the members as a dict.
    """
    try:
        return orjson.dumps(kept, default=_MEMBERS, option=orjson.OPT_PASSTHROUGH_DATACLASS)
    except TypeError:
        return orjson.dumps(kept, default=_members, option=orjson.OPT_PASSTHROUGH_DATACLASS)


def canonical(kept: object) -> bytes:
    """JSON with sorted keys: for values of text, whole numbers, booleans and null it is the RFC 8785 form."""
    return orjson.dumps(kept, default=_members, option=_SORTED)


def canonical_values(kept: object) -> bytes:
    """As ``canonical``, for values that hold no sets and tuples: their members are read without a call of ours."""
    return orjson.dumps(kept, default=_MEMBERS, option=_SORTED)


_MEMBERS = attrgetter("__dict__")
_SORTED = orjson.OPT_SORT_KEYS | orjson.OPT_PASSTHROUGH_DATACLASS


def _members(kept: object) -> object:
    # A dataclass would be written in the order of its declaration; its members as a dict are sorted like any other.
    return kept.__dict__ if hasattr(kept, "__dataclass_fields__") else _other(kept)


def _other(kept: object) -> object:
    if isinstance(kept, (frozenset, set)):
        return sorted(kept)
    if isinstance(kept, tuple):
        return list(kept)
    raise TypeError(f"{type(kept).__name__} has no JSON form")


class Codec(Generic[T]):
    """A type's reader and writer. Reading is strict: nothing is guessed, and an unknown member stays or is refused."""

    def __init__(self, kind: Any, config: ConfigDict | None = None) -> None:
        self.adapter: TypeAdapter[T] = TypeAdapter(kind, config=config)

    def loads(self, body: bytes | str) -> T:
        """Read JSON; ``WireError`` (code 'malformed') says what is wrong with it and where."""
        try:
            return self.adapter.validate_json(body)
        except ValidationError as error:
            raise WireError("malformed", in_words(faults(error))) from None

    def schema(self) -> dict[str, Any]:
        """JSON Schema 2020-12 of what ``loads`` takes."""
        return self.adapter.json_schema(ref_template="#/$defs/{model}")


def not_carried(error: TypeError) -> WireError:
    """A value that was read and can't be written again: a number beyond 64 bits, or nesting without end."""
    text = f"a member can't be carried through: {str(error)[:1].lower()}{str(error)[1:]}; send such a value as text"
    return WireError("malformed", text)


def parse(body: bytes | str) -> Any:
    """Any JSON; ``WireError`` if it is none."""
    try:
        return orjson.loads(body)
    except orjson.JSONDecodeError as error:
        raise WireError("malformed", f"this is not JSON: {error}") from None


def parse_object(body: bytes | str) -> dict[str, Any]:
    """A JSON object; ``WireError`` if it is none."""
    parsed = parse(body)
    if not isinstance(parsed, dict):
        raise WireError("malformed", f"expected a JSON object, found {type(parsed).__name__}")
    return cast("dict[str, Any]", parsed)
