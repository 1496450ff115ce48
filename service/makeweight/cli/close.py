"""``makeweight close``: a campaign's final figures."""

from datetime import timedelta
from pathlib import Path
from typing import Annotated

import typer

from makeweight.adapters.documents.files import FileErrors
from makeweight.adapters.documents.reports import add_report, read_reports
from makeweight.bootstrap.closing import UnknownCampaign, close_campaign, close_distributed
from makeweight.cli.console import REFUSED, err, fail, progress, say_json
from makeweight.cli.reach import Kafka, State, reaching
from makeweight.contracts.problems import nearest
from makeweight.planning.closing import OtherBooks, Report

DEFAULT_HOURS = 24
HELP = """Close a campaign's books: print its figures as a report, and keep each edition of it in a file.

The report is final once an order is known that was placed or revised later than the window's end and the lateness that
is allowed. What comes later makes a restated report, the next edition, which names each difference; none is changed.

[bold]Examples[/bold]

  makeweight close ink-week --state shop-state --report ink-week.jsonl

  makeweight close ink-week --kafka broker:9092 --lateness 72
"""


def close(
    campaign: Annotated[str, typer.Argument(help="The campaign's id.")],
    state: State = None,
    kafka: Kafka = None,
    lateness: Annotated[
        float, typer.Option(min=0, max=24 * 365, help="Hours for which an order may come after the window's end.")
    ] = DEFAULT_HOURS,
    report: Annotated[
        Path | None, typer.Option(help="JSON lines, one an edition: what was closed before, and is added to.")
    ] = None,
) -> None:
    """Close a campaign's books."""
    try:
        editions = read_reports(report) if report is not None else []
        made = _closed(campaign, timedelta(hours=lateness), editions[-1] if editions else None, state, kafka)
        if report is not None and made.status != "early" and made not in editions:
            add_report(report, [*editions, made])
    except (FileErrors, OtherBooks) as error:
        raise fail(str(error)) from None
    except OSError as error:
        raise fail(f"{report}: cannot be written: {error.strerror}") from None
    say_json(made)
    if made.status == "early":
        known = f"the newest order is of {made.watermark.isoformat()}" if made.watermark else "no order is known"
        ends = f"the window ends {made.ends.isoformat()}"
        raise fail(f"too early, nothing is closed: {known}, {ends}, and {lateness:g} hours are allowed", REFUSED)
    if made.differences and (not editions or made != editions[-1]):
        err.print(f"restated: edition {made.edition} differs in {', '.join(made.differences)}", markup=False)


def _closed(campaign: str, lateness: timedelta, last: Report | None, state: Path | None, kafka: str | None) -> Report:
    with reaching(state, kafka) as reached:
        try:
            if not reached.on_kafka:
                return close_campaign(reached.settings, campaign, lateness, last)
            with progress("entries read") as told:
                return close_distributed(reached.settings, campaign, lateness, last, progress=told)
        except UnknownCampaign as error:
            text = f"no campaign {campaign!r} here{nearest(campaign, error.known)}; {reached.where}"
            raise fail(text, REFUSED) from None
