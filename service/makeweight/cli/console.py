"""How the command speaks: what goes where, and what an exit code means.

0 done; 1 done, but something was refused and told; 2 the command or a file is wrong and nothing was done; 3 a running
service can't be reached or its store is in use; 70 a defect of the program.
"""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import Any

import typer
from pydantic import ValidationError
from rich.console import Console
from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

from makeweight.contracts.codec import dumps
from makeweight.domain.moments import Instant
from makeweight.settings import Settings

REFUSED, USAGE, UNAVAILABLE = 1, 2, 3

out = Console(highlight=False, soft_wrap=True)
err = Console(stderr=True, highlight=False, soft_wrap=True)


def say_json(kept: object) -> None:
    """One JSON document on stdout."""
    sys.stdout.write(dumps(kept).decode() + "\n")


def fail(text: str, code: int = USAGE) -> typer.Exit:
    """Tell what is wrong on stderr; raise what is returned."""
    err.print(text, style="red", markup=False)
    return typer.Exit(code)


def extra_missing(error: ModuleNotFoundError) -> typer.Exit:
    """Tell which extra has the package that is not installed; raise what is returned. One of our own is a defect."""
    name = error.name or ""
    if name.partition(".")[0] == "makeweight":
        raise error
    return fail(f"{name} is not installed: pip install 'makeweight[board]'")


def instant(option: str, text: str, other: str = "") -> Instant:
    """The instant that an option names; without a zone it could be several. ``other`` names what would do as well."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise fail(f"{option} {text!r}: expected {other}a date and time, such as 2026-11-24T16:00:00Z") from None
    if at.tzinfo is None:
        raise fail(f"{option} {text!r} has no zone; add Z or an offset")
    return at


def read_settings(**given: Any) -> Settings:
    """The settings, with what the command line says on top; one that is wrong is told by the variable's name."""
    try:
        return Settings(**{name: kept for name, kept in given.items() if kept is not None})
    except ValidationError as error:
        told = [f"MAKEWEIGHT_{str(d['loc'][0]).upper()}: {d['msg']}" for d in error.errors(include_url=False)]
        raise fail("\n".join(told)) from None


@contextmanager
def progress(what: str) -> Iterator[Callable[[int], None]]:
    """A counter on stderr while something long runs; nothing unless stderr is a terminal."""
    columns = (SpinnerColumn(), TextColumn("{task.description}"), TextColumn("{task.completed:,}"), TimeElapsedColumn())
    with Progress(*columns, console=err, transient=True, disable=not err.is_terminal) as bar:
        task = bar.add_task(what, total=None)
        yield lambda count: bar.update(task, completed=count)
