"""YAML with the line of every value, so that a fault in a campaign names its place.

Plain scalars follow the YAML 1.2 core schema: only true/false, null and numbers are special. The 1.1 rules of most
loaders would turn the market NO into False and 12:30 into 750.
"""

import re
from math import isfinite
from pathlib import Path
from typing import Any

import yaml

from makeweight.adapters.documents.files import FileError

MAX_BYTES = 5_000_000  # of one document; a larger one is not written by a person
MAX_NODES = 200_000  # after aliases are followed
_INT = re.compile(r"[-+]?[0-9]{1,18}")  # a longer one fits no member; as a float it is refused where it stands
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_HALF = re.compile("[\ud800-\udfff]")  # a lone surrogate: no UTF-8, so nothing could store it
_WORDS = {"true": True, "True": True, "false": False, "False": False, "null": None, "Null": None, "~": None, "": None}

Place = tuple[str | int, ...]


class Lines:
    """The line of every path of a document, counted from 1."""

    def __init__(self) -> None:
        self.of: dict[Place, int] = {}

    def nearest(self, path: Place) -> int:
        """The line of a path, or of the innermost part of it that exists."""
        while path and path not in self.of:
            path = path[:-1]
        return self.of.get(path, 1)


def load(path: Path) -> tuple[Any, Lines]:
    """The document of a file, and the lines of its values. ``FileError`` where it is no YAML."""
    try:
        if path.stat().st_size > MAX_BYTES:
            raise FileError(path, None, f"larger than {MAX_BYTES // 10**6} MB; a campaign is a page or two")
        text = path.read_text(encoding="utf-8")
        node = yaml.compose(text, Loader=yaml.SafeLoader)
    except OSError as error:
        raise FileError(path, None, f"cannot be read: {error.strerror}") from None
    except UnicodeDecodeError:
        raise FileError(path, None, "is not UTF-8 text") from None
    except yaml.MarkedYAMLError as error:
        line = error.problem_mark.line + 1 if error.problem_mark else None
        raise FileError(path, line, f"not YAML: {error.problem}") from None
    except (yaml.YAMLError, RecursionError) as error:
        raise FileError(path, None, f"not YAML: {error}") from None
    except (ValueError, OverflowError):  # the parser's own conversions: \\UFFFFFFFF, or a version of 5,000 digits
        raise FileError(path, None, "not YAML: an escape or a version in it is out of range") from None
    lines = Lines()
    builder = _Builder(path, lines)
    return (builder.build(node, ()) if node is not None else None), lines


class _Builder:
    def __init__(self, path: Path, lines: Lines) -> None:
        self._path, self._lines, self._count = path, lines, 0

    def build(self, node: yaml.Node, place: Place) -> Any:
        line = node.start_mark.line + 1
        self._lines.of[place] = line
        self._count += 1
        if self._count > MAX_NODES or len(place) > 50:  # noqa: PLR2004 - nesting that no campaign has
            raise FileError(self._path, line, "is nested or repeated beyond what a campaign can be")
        if isinstance(node, yaml.MappingNode):
            return self._mapping(node, place)
        if isinstance(node, yaml.SequenceNode):
            return [self.build(item, (*place, i)) for i, item in enumerate(node.value)]
        assert isinstance(node, yaml.ScalarNode)
        text = self._text(node)
        return text if node.style else _plain(text)

    def _text(self, node: yaml.ScalarNode) -> str:
        text = str(node.value)
        if _HALF.search(text):
            line = node.start_mark.line + 1
            raise FileError(self._path, line, r"holds half a character (\uD800 to \uDFFF); write the character itself")
        return text

    def _mapping(self, node: yaml.MappingNode, place: Place) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for key_node, value_node in node.value:
            if not isinstance(key_node, yaml.ScalarNode):
                raise FileError(self._path, key_node.start_mark.line + 1, "a list or a mapping can't be a name")
            name = self._text(key_node)
            if name in found:
                raise FileError(self._path, key_node.start_mark.line + 1, f"{name!r} stands here twice; keep one")
            found[name] = self.build(value_node, (*place, name))
            self._lines.of[(*place, name)] = key_node.start_mark.line + 1
        return found


def _plain(text: str) -> Any:
    if text in _WORDS:
        return _WORDS[text]
    if _INT.fullmatch(text):
        return int(text)
    if _FLOAT.fullmatch(text):
        number = float(text)
        return number if isfinite(number) else text
    return text
