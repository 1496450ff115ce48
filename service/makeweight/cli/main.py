"""The commands."""

import sys

import typer

from makeweight import __version__
from makeweight.cli import (
    about,
    board,
    check,
    close,
    despatch_advice,
    explain,
    prior_price,
    profile,
    publish,
    quantity,
    rejects,
    replay,
    serve,
    ticket,
    worker,
)
from makeweight.cli.change import change
from makeweight.cli.stock import stock
from makeweight.cli.topics import topics

app = typer.Typer(
    name="makeweight",
    help="Order events in, gifts allocated, pick tickets out.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode="rich",
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


@app.callback(invoke_without_command=True)
def _options(version: bool = typer.Option(False, "--version", help="Print the version and leave.")) -> None:
    if version:
        sys.stdout.write(f"makeweight {__version__}\n")
        raise typer.Exit


app.command(help=serve.HELP)(serve.serve)
app.command(help=worker.HELP)(worker.worker)
app.command(help=board.HELP)(board.board)
app.add_typer(topics, name="topics")
app.command(help=check.HELP)(check.check)
app.command(help=publish.HELP)(publish.publish)
app.add_typer(stock, name="stock")
app.add_typer(change, name="change")
app.command(help=replay.HELP)(replay.replay)
app.command(help=profile.HELP)(profile.profile)
app.command(help=quantity.HELP)(quantity.quantity)
app.command(help=explain.HELP)(explain.explain)
app.command(help=rejects.HELP)(rejects.rejects)
app.command(help=ticket.HELP)(ticket.ticket)
app.command(help=despatch_advice.HELP)(despatch_advice.despatch_advice)
app.command(help=prior_price.HELP)(prior_price.prior_price)
app.command(help=close.HELP)(close.close)
app.command(help=about.SETTINGS_HELP)(about.settings)
app.command(help=about.SCHEMAS_HELP)(about.schemas)
app.command(help=about.RULES_HELP)(about.rules)


def main() -> None:
    """Run the command line."""
    app()
