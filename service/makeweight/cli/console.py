"""How the command speaks: what goes where, and what an exit code means.

0 done; 1 done, but something was refused and told; 2 the command or a file is wrong and nothing was done; 3 a running
service can't be reached or its store is in use; 70 a defect of the program.
"""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import typer
from rich.console import Console
from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

from makeweight.contracts.codec import dumps

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


@contextmanager
def progress(what: str) -> Iterator[Callable[[int], None]]:
    """A counter on stderr while something long runs; nothing unless stderr is a terminal."""
    columns = (SpinnerColumn(), TextColumn("{task.description}"), TextColumn("{task.completed:,}"), TimeElapsedColumn())
    with Progress(*columns, console=err, transient=True, disable=not err.is_terminal) as bar:
        task = bar.add_task(what, total=None)
        yield lambda count: bar.update(task, completed=count)
