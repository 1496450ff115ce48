"""Putting campaigns and stock on the embedded service, running or not: through its database.

A revision takes effect no earlier than 10 s after it is published, so that every order is judged by what was known when
it was placed. A revision that is published is never changed; the same document again changes nothing.
"""

import sqlite3
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Any

from makeweight.adapters.documents.campaigns import CampaignFile
from makeweight.adapters.documents.files import FileError, FileErrors
from makeweight.adapters.local.store import due_text
from makeweight.contracts.codec import canonical, dumps, parse_object
from makeweight.domain.claims import Receipt
from makeweight.domain.moments import Instant
from makeweight.domain.values import value

NOTICE = timedelta(seconds=10)


@value
class Published:
    """What came of one file."""

    campaign: str
    revision: int
    effective_at: str
    changed: bool


def publish(
    connection: sqlite3.Connection, files: Iterable[CampaignFile], stock: Iterable[Receipt], now: Instant
) -> list[Published]:
    """Publish campaigns and hand stock to the ledger, all or nothing. ``FileErrors`` names what is refused."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        done = [_campaign(connection, file, now) for file in files]
        rows = [("ledger-commands", r.offer, "stock", r.id, due_text(now), dumps(r)) for r in stock]
        connection.executemany(
            "INSERT INTO inbox (topic, key, source, id, received_at, body) VALUES (?, ?, ?, ?, ?, ?)", rows
        )
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")
    return done


def _campaign(connection: sqlite3.Connection, file: CampaignFile, now: Instant) -> Published:
    campaign = file.campaign
    document = dict(file.document)
    stated = document.get("effective")
    known = connection.execute(
        "SELECT effective_at, body FROM campaigns WHERE campaign = ? AND revision = ?",
        (campaign.campaign, campaign.revision),
    ).fetchone()
    if known is not None:
        if not _same(document, parse_object(known[1])):
            text = f"{campaign.campaign!r} revision {campaign.revision} is published with other content; "
            raise _refused(file, text + f"publish the change as `revision: {campaign.revision + 1}`")
        return Published(campaign.campaign, campaign.revision, known[0], changed=False)
    highest = connection.execute(
        "SELECT max(revision) FROM campaigns WHERE campaign = ?", (campaign.campaign,)
    ).fetchone()[0]
    if highest is not None and campaign.revision < highest:
        raise _refused(file, f"revision {highest} of {campaign.campaign!r} is published; use `revision: {highest + 1}`")
    earliest = now + NOTICE
    effective = campaign.effective_at if stated is not None else earliest
    if effective < earliest:
        text = f"`effective: {stated}` is too early; a revision takes effect 10 s after publishing or later: "
        raise _refused(file, text + f"{earliest.astimezone(UTC).isoformat(timespec='seconds')} or leave it out")
    document["effective"] = effective.astimezone(UTC).isoformat()
    connection.execute(
        "INSERT INTO campaigns VALUES (?, ?, ?, ?, ?)",
        (campaign.campaign, campaign.revision, due_text(now), document["effective"], dumps(document)),
    )
    return Published(campaign.campaign, campaign.revision, str(document["effective"]), changed=True)


def _same(document: dict[str, Any], published: dict[str, Any]) -> bool:
    """Whether two documents say the same; a time of effect that was left out is the one that was stamped."""
    given = dict(document)
    if given.get("effective") is None:
        given["effective"] = published["effective"]
    else:
        given["effective"] = datetime.fromisoformat(str(given["effective"])).astimezone(UTC).isoformat()
    return canonical(given) == canonical(published)


def _refused(file: CampaignFile, text: str) -> FileErrors:
    return FileErrors([FileError(file.path, 1, text)])
