"""Campaign files."""

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from makeweight.adapters.documents import yaml
from makeweight.adapters.documents.files import FileError, FileErrors
from makeweight.contracts.campaigns import DocumentError, read_campaign
from makeweight.domain.campaigns import Campaign
from makeweight.domain.values import value


@value
class CampaignFile:
    """A campaign, the document it was read from, and the file."""

    campaign: Campaign
    document: dict[str, Any]
    path: Path


def read_file(path: Path) -> CampaignFile:
    """The campaign of a YAML file; ``FileErrors`` names every fault with its line."""
    try:
        document, lines = yaml.load(path)
    except FileError as error:
        raise FileErrors([error]) from None
    if not isinstance(document, dict):
        raise FileErrors([FileError(path, 1, "expected a campaign: `campaign: …`, `title: …`, `offers: …`")])
    try:
        campaign = read_campaign(document)
    except DocumentError as error:
        faults = [FileError(path, lines.nearest(f.path), str(f)) for f in error.faults]
        raise FileErrors(faults) from None
    return CampaignFile(campaign, document, path)


def read_files(paths: Iterable[Path]) -> list[CampaignFile]:
    """Several files; a campaign revision stands in one of them only."""
    found: dict[tuple[str, int], CampaignFile] = {}
    for path in paths:
        one = read_file(path)
        key = (one.campaign.campaign, one.campaign.revision)
        if key in found:
            text = f"campaign {key[0]!r} revision {key[1]} stands in {found[key].path} too; raise `revision:`"
            raise FileErrors([FileError(path, 1, text)])
        found[key] = one
    return list(found.values())
