"""What may be published: the rules that both services share.

A revision takes effect no earlier than 10 s after it is published, so that every order is judged by what was known when
it was placed. A revision that is published is never changed; the same document again changes nothing.
"""

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Any

from makeweight.adapters.documents.campaigns import CampaignFile
from makeweight.adapters.documents.files import FileError, FileErrors
from makeweight.contracts.codec import canonical
from makeweight.domain.moments import Instant
from makeweight.domain.values import value
from makeweight.planning.changing import NOTICE

Document = Mapping[str, Any]
Known = Mapping[tuple[str, int], Document]  # published documents by campaign and revision


@value
class Published:
    """What came of one file."""

    campaign: str
    revision: int
    effective_at: str
    changed: bool


@value
class Prepared:
    """A file that may be published, and its document with the time of effect filled in."""

    published: Published
    document: dict[str, Any]


def prepare(files: Iterable[CampaignFile], known: Known, now: Instant) -> list[Prepared]:
    """The documents to publish, in order; those that are published already say so. ``FileErrors`` names a refusal."""
    found: list[Prepared] = []
    seen = dict(known)
    for file in files:
        prepared = _prepared(file, seen, now)
        seen[file.campaign.campaign, file.campaign.revision] = prepared.document
        found.append(prepared)
    return found


def _prepared(file: CampaignFile, known: Known, now: Instant) -> Prepared:
    campaign = file.campaign
    document = dict(file.document)
    stated = document.get("effective")
    published = known.get((campaign.campaign, campaign.revision))
    if published is not None:
        if not _same(document, published):
            text = f"{campaign.campaign!r} revision {campaign.revision} is published with other content; "
            raise _refused(file, text + f"publish the change as `revision: {campaign.revision + 1}`")
        at = str(published["effective"])
        return Prepared(Published(campaign.campaign, campaign.revision, at, changed=False), dict(published))
    highest = max((revision for name, revision in known if name == campaign.campaign), default=None)
    if highest is not None and campaign.revision < highest:
        raise _refused(file, f"revision {highest} of {campaign.campaign!r} is published; use `revision: {highest + 1}`")
    earliest = now + NOTICE
    effective = campaign.effective_at if stated is not None else earliest
    if effective < earliest:
        text = f"`effective: {stated}` is too early; a revision takes effect 10 s after publishing or later: "
        raise _refused(file, text + f"{earliest.astimezone(UTC).isoformat(timespec='seconds')} or leave it out")
    document["effective"] = effective.astimezone(UTC).isoformat()
    at = str(document["effective"])
    return Prepared(Published(campaign.campaign, campaign.revision, at, changed=True), document)


def _same(document: Document, published: Document) -> bool:
    """Whether two documents say the same; a time of effect that was left out is the one that was stamped."""
    given = dict(document)
    if given.get("effective") is None:
        given["effective"] = published["effective"]
    else:
        given["effective"] = datetime.fromisoformat(str(given["effective"])).astimezone(UTC).isoformat()
    return canonical(given) == canonical(dict(published))


def _refused(file: CampaignFile, text: str) -> FileErrors:
    return FileErrors([FileError(file.path, 1, text)])
