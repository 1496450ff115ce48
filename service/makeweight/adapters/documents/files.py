"""A fault in a file: which file, which line, what to do."""

from pathlib import Path


class FileError(ValueError):
    """A file that can't be used. ``line`` counts from 1; None is the whole file."""

    def __init__(self, path: Path, line: int | None, text: str) -> None:
        super().__init__(f"{path}:{line}: {text}" if line is not None else f"{path}: {text}")
        self.path, self.line, self.text = path, line, text


class FileErrors(ValueError):
    """All faults of one file."""

    def __init__(self, errors: list[FileError]) -> None:
        super().__init__("\n".join(str(error) for error in errors))
        self.errors = errors
