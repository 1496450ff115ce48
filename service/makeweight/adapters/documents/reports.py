"""Reports on closed books: a file of JSON lines, one for each edition, that is only ever added to."""

import os
from pathlib import Path

from makeweight.adapters.documents.files import FileError, FileErrors
from makeweight.contracts.codec import dumps
from makeweight.planning.closing import EARLY_EDITION, REPORT, Report


def read_reports(path: Path) -> list[Report]:
    """The editions of a file from the first on; none where there is no file. ``FileErrors`` if it holds anything else.

    An edition that is missing was taken out by somebody, and no further one follows from the rest.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return []
    except (OSError, UnicodeDecodeError) as error:
        raise FileErrors([FileError(path, None, f"cannot be read as UTF-8 text: {error}")]) from None
    found: list[Report] = []
    for number, line in enumerate(text.split("\n"), 1):
        if not line.strip():
            continue
        try:
            report = _report(line)
        except (ValueError, TypeError) as error:
            raise FileErrors([FileError(path, number, f"is no report: {error}")]) from None
        expected = len(found) + 1 + EARLY_EDITION
        if report.edition != expected:
            raise FileErrors(
                [FileError(path, number, f"is edition {report.edition}; expected edition {expected} here")]
            )
        found.append(report)
    return found


def _report(line: str) -> Report:
    report = REPORT.loads(line)
    if report.ends.tzinfo is None or (report.watermark is not None and report.watermark.tzinfo is None):
        raise ValueError("its instants have no offset from UTC")
    dumps(report)  # what was read can be written again: a whole number beyond 64 bits can't
    return report


def add_report(path: Path, reports: list[Report]) -> None:
    """Write a file's editions with the new one as the last: whole on the disk, or the file is as it was."""
    beside = path.with_name(f"{path.name}.new")
    with beside.open("wb") as file:
        file.writelines(dumps(report) + b"\n" for report in reports)
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)
