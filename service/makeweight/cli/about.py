"""``makeweight settings``, ``makeweight schemas`` and ``makeweight rules``."""

from importlib.resources import files
from pathlib import Path
from typing import Annotated

import orjson
import typer
from rich.table import Table

from makeweight.cli.console import fail, out, read_settings, say_json
from makeweight.contracts.schemas import asyncapi, schema
from makeweight.contracts.topics import SCHEMAS
from makeweight.settings import Settings

SETTINGS_HELP = """Show the effective settings; secrets are hidden.

[bold]Examples[/bold]

  makeweight settings

  MAKEWEIGHT_PORT=9000 makeweight settings --json
"""
SCHEMAS_HELP = """Print the schema of a message, or write all of them.

[bold]Examples[/bold]

  makeweight schemas order-event

  makeweight schemas --out schemas
"""


RULES_HELP = """Print the rules that decide, each with its default, what a campaign can ask for instead, and its tests.

[bold]Examples[/bold]

  makeweight rules

  makeweight rules > rules.md
"""


def settings(json: Annotated[bool, typer.Option("--json", help="As JSON on stdout.")] = False) -> None:
    """Show the effective settings."""
    told = read_settings().told()
    if json:
        say_json(told)
        return
    table = Table(box=None, header_style="bold", padding=(0, 2, 0, 0))
    for name in ("variable", "value", "what it is"):
        table.add_column(name)
    for name, kept in told.items():
        about = Settings.model_fields[name].description or ""
        table.add_row(f"MAKEWEIGHT_{name.upper()}", "" if kept is None else str(kept), about)
    out.print(table)


def schemas(
    name: Annotated[str | None, typer.Argument(help="A message; none lists them.")] = None,
    out_folder: Annotated[Path | None, typer.Option("--out", help="Write every schema into this folder.")] = None,
) -> None:
    """Print or write the schemas of the messages."""
    if out_folder is not None:
        out_folder.mkdir(parents=True, exist_ok=True)
        for message in SCHEMAS:
            (out_folder / f"{message}.schema.json").write_bytes(_text(schema(message)))
        (out_folder / "asyncapi.yaml").write_bytes(_text(asyncapi()))
        return
    if name is None:
        out.print("\n".join(SCHEMAS))
    elif name in SCHEMAS:
        out.print_json(_text(schema(name)).decode())
    else:
        raise fail(f"no message {name!r}; there are {', '.join(SCHEMAS)}")


def rules() -> None:
    """Print the rules."""
    out.file.write(files("makeweight").joinpath("rules.md").read_text(encoding="utf-8"))


def _text(document: object) -> bytes:
    """Indented JSON, which is YAML too."""
    return orjson.dumps(document, option=orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE)
