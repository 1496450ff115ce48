"""How a value of the domain is declared, and the one error that says the program itself is wrong."""

from dataclasses import dataclass
from typing import TypeVar, dataclass_transform

T = TypeVar("T")


@dataclass_transform(frozen_default=True)
def value(cls: type[T]) -> type[T]:
    """Declare an immutable record.

    The type checker holds every value to be frozen; at run time it is a plain dataclass, because a frozen one takes
    twice as long to build and an order has many lines. Values keep a ``__dict__``: an order carries the members that
    the shop's back end added, unread, through to the ticket.
    """
    return dataclass(cls)


class InvariantViolation(AssertionError):
    """Something that must never be true is true: a defect of the program or of its store, never of the input.

    ``code`` is the invariant's short name (S1 ... S12 in DEVELOPERS.md), used as a metric label.
    """

    def __init__(self, code: str, message: str) -> None:
        super().__init__(f"{code}: {message}")
        self.code = code


def hold(condition: bool, code: str, message: str) -> None:
    """Raise ``InvariantViolation`` unless ``condition``; unlike ``assert`` it cannot be switched off."""
    if not condition:
        raise InvariantViolation(code, message)


def replaced(kept: T, /, **changes: object) -> T:
    """A copy of a value with some members changed; members it does not declare are kept."""
    copy = object.__new__(kept.__class__)
    copy.__dict__.update(kept.__dict__, **changes)
    return copy
