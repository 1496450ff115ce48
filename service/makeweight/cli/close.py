"""``makeweight close``: a campaign's final figures."""

from datetime import timedelta
from pathlib import Path
from typing import Annotated

import typer

from makeweight.adapters.documents.files import FileErrors
from makeweight.adapters.documents.reports import add_report, read_reports
from makeweight.adapters.kafka.administration import KafkaProblem
from makeweight.adapters.local.database import DatabaseError
from makeweight.bootstrap.closing import UnknownCampaign, close_campaign, close_distributed
from makeweight.cli.console import REFUSED, UNAVAILABLE, err, fail, progress, read_settings, say_json
from makeweight.contracts.problems import nearest
from makeweight.planning.closing import OtherBooks

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
    state: Annotated[Path | None, typer.Option(help="Directory of the service's database.")] = None,
    kafka: Annotated[str | None, typer.Option("--kafka", help="Brokers of the distributed service.")] = None,
    lateness: Annotated[
        float, typer.Option(min=0, max=24 * 365, help="Hours for which an order may come after the window's end.")
    ] = DEFAULT_HOURS,
    report: Annotated[
        Path | None, typer.Option(help="JSON lines, one an edition: what was closed before, and is added to.")
    ] = None,
) -> None:
    """Close a campaign's books."""
    settings = read_settings(state=state, kafka=kafka)
    on_kafka = bool(settings.kafka) and state is None
    try:
        editions = read_reports(report) if report is not None else []
        asked = (settings, campaign, timedelta(hours=lateness), editions[-1] if editions else None)
        if on_kafka:
            with progress("entries read") as told:
                made = close_distributed(*asked, progress=told)
        else:
            made = close_campaign(*asked)
        if report is not None and made.status != "early" and made not in editions:
            add_report(report, [*editions, made])
    except (DatabaseError, KafkaProblem) as error:
        raise fail(str(error), UNAVAILABLE) from None
    except UnknownCampaign as error:
        where = f"`kafka` is {settings.kafka}" if on_kafka else f"`state` is {settings.state}"
        raise fail(f"no campaign {campaign!r} here{nearest(campaign, error.known)}; {where}", REFUSED) from None
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
