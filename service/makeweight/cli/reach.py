"""Which service a command reaches: the embedded one by its database, or the distributed one by its brokers."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, NamedTuple

import typer

from makeweight.adapters.kafka.administration import KafkaProblem
from makeweight.adapters.local.database import DatabaseError
from makeweight.cli.console import UNAVAILABLE, fail, read_settings
from makeweight.settings import Settings

State = Annotated[Path | None, typer.Option(help="Directory of the service's database.")]
Kafka = Annotated[str | None, typer.Option("--kafka", help="Brokers of the distributed service.")]


class Reached(NamedTuple):
    """The settings, and whether it is the distributed service that they name."""

    settings: Settings
    on_kafka: bool

    @property
    def where(self) -> str:
        """The setting by which it is reached, for people."""
        return f"`kafka` is {self.settings.kafka}" if self.on_kafka else f"`state` is {self.settings.state}"


@contextmanager
def reaching(state: Path | None, kafka: str | None) -> Iterator[Reached]:
    """The service that the command line and the settings name; --state means the embedded one, whatever is set.

    A database or brokers that can't be used end the command with the exit code for that.
    """
    settings = read_settings(state=state, kafka=kafka)
    try:
        yield Reached(settings, on_kafka=bool(settings.kafka) and state is None)
    except (DatabaseError, KafkaProblem) as error:
        raise fail(str(error), UNAVAILABLE) from None
