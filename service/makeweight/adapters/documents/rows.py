"""A CSV file as rows with their line numbers: strict about its header, since a wrong one makes every row wrong."""

import csv
from pathlib import Path

from makeweight.adapters.documents.files import FileError, FileErrors
from makeweight.contracts.problems import nearest


def read_rows(path: Path, columns: tuple[str, ...]) -> list[tuple[int, dict[str, str]]]:
    """The rows of a file that has just these columns, each with the line it ends on; texts without outer spaces.

    ``FileErrors`` lists what is wrong with the file as a whole, or every row that has more or fewer values.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise FileErrors([FileError(path, None, f"cannot be read as UTF-8 text: {error}")]) from None
    # Not splitlines(): it would also cut at signs that a quoted value may hold.
    reader = csv.reader(text.split("\n"))
    try:
        found = [(reader.line_num, [value.strip() for value in row]) for row in reader if row]
    except csv.Error as error:
        raise FileErrors([FileError(path, reader.line_num, f"cannot be read as CSV: {error}")]) from None
    header = found[0][1] if found else []
    errors = [FileError(path, 1, f"column {c!r} is missing{nearest(c, header)}") for c in columns if c not in header]
    errors += [FileError(path, 1, f"unknown column {c!r}{nearest(c, columns)}") for c in header if c not in columns]
    errors += [FileError(path, 1, f"column {c!r} stands here twice; keep one") for c in columns if header.count(c) > 1]
    if not errors:
        wide = len(header)
        torn = [(line, len(row)) for line, row in found[1:] if len(row) != wide]
        for line, values in torn:
            hint = "; write 1000, not 1,000" if values > wide else ""
            errors.append(FileError(path, line, f"{values} values where the header has {wide} columns{hint}"))
    if errors:
        raise FileErrors(errors)
    return [(line, dict(zip(header, row, strict=True))) for line, row in found[1:]]
