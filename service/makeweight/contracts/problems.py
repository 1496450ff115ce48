"""What is wrong with an input, in words that say what to do: what, where, what was expected, the nearest valid name.

WireError
 `- every refusal of a decoder; ``code`` is its metric label, ``sentence`` its text, both free of personal data
"""

from collections.abc import Iterable, Mapping
from difflib import get_close_matches

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from makeweight.domain.values import value

MAX_ERRORS = 20  # more than a person reads at once; the rest are counted


class WireError(ValueError):
    """An input that can't be processed. ``where`` is a path inside the input, '' for all of it."""

    def __init__(self, code: str, sentence: str) -> None:
        super().__init__(sentence)
        self.code, self.sentence = code, sentence


@value
class Fault:
    """One fault in a document: the path to it, and what was expected there."""

    path: tuple[str | int, ...]
    text: str

    def __str__(self) -> str:
        where = ".".join(str(part) for part in self.path)
        return f"{where}: {self.text}" if where else self.text


def faults(error: ValidationError, known: Mapping[str, str] | None = None) -> list[Fault]:
    """The faults that pydantic found. ``known`` are names to suggest for one that is unknown, with their places."""
    return [_fault(detail, known or {}) for detail in error.errors(include_url=False)[:MAX_ERRORS]]


def _fault(detail: ErrorDetails, known: Mapping[str, str]) -> Fault:
    path = tuple(detail["loc"])
    kind = detail["type"]
    if kind in ("extra_forbidden", "unexpected_keyword_argument"):
        name = str(path[-1])
        if name in known:
            return Fault(path, f"{name!r} has no place here; it goes into {known[name]}")
        return Fault(path, f"unknown member {name!r}{nearest(name, sorted(known))}")
    if kind in ("missing", "missing_argument", "missing_keyword_only_argument"):
        return Fault(path[:-1], f"member {path[-1]!r} is missing")
    if kind == "json_invalid":
        return Fault((), f"this is not JSON: {detail['msg'].removeprefix('Invalid JSON: ')}")
    if kind == "literal_error":
        expected = str(detail.get("ctx", {}).get("expected", ""))
        options = [o.strip(" '") for o in expected.replace(" or ", ",").split(",")]
        return Fault(path, f"expected {expected}{nearest(str(detail['input']), options)}")
    text = detail["msg"].removeprefix("Value error, ")
    return Fault(path, text[0].lower() + text[1:] if text.startswith(("Input", "String", "List")) else text)


def nearest(name: str, known: Iterable[str]) -> str:
    """'; did you mean …?' if a known name is close, else nothing."""
    match = get_close_matches(name, list(known), n=1)
    return f"; did you mean {match[0]!r}?" if match else ""


def in_words(found: Iterable[Fault]) -> str:
    """Several faults as one sentence."""
    return "; ".join(str(fault) for fault in found)
