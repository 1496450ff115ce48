"""Inputs that are nearly right: bytes changed in a good one, or a member of its JSON replaced by something strange."""

import json
from typing import Any

from hypothesis import strategies as st

from makeweight.contracts.examples import EXAMPLES

BOM = b"\xef\xbb\xbf"
LIMITS = (2**31, 2**53, 2**63 - 1, 2**63, 2**64 - 1, 2**64, 10**18, 10**40)
# Literals of JSON and of what is taken for it.
STRANGE: list[bytes] = [
    b"NaN", b"Infinity", b"-Infinity", b"1e400", b"-1e400", b"-0", b"-0.0", b"1.0", b"1e3", b"0.1", b"01", b"-",
    b"null", b"true", b"false", b"[]", b"{}", b'""', b'" "', b"[[]]", b'{"":""}', b'{"_a":1}',
    b'"\\ud800"', b'"\\udc00\\ud800"', b'"\\ud83d\\ude00"', b'"\\u0000"', b'"\x00"', b'"\\n"', b'"\\u2028"',
    b'"\\u202e"',
    b'"\xff"', b'"\xed\xa0\x80"', b'"\xc0\x80"', BOM + b'"x"', b'"1"',
    '"\u0661\u0662\u0663\u0664\u0665\u0666\u0667\u0668"'.encode(),
    b'"0001-01-01T00:00:00+14:00"', b'"9999-12-31T23:59:59-14:00"', b'"2026-11-24T10:00:00"', b'"2026-11-24"',
    b'"0000-01-01T00:00:00Z"', b'"2026-02-30T00:00:00Z"', b'"2026-11-24T10:00:60Z"', b'"0001-01-01 00:00"',
    b'"9999-12-31 23:59"', b"1764000000", b"1e18", b'"Asia/Tokyo"', b'"../../etc"', b'"/"', b'"a/b"', b'"a/b/c"',
    b'"' + b"x" * 100_000 + b'"', *(b"[" * n + b"]" * n for n in (64, 65, 150, 198, 199, 200, 201)),
    b"[" * 2_000 + b"]" * 2_000, b'{"a":' * 150 + b"1" + b"}" * 150,
    b"9" * 5_000, b'"' + b"9" * 5_000 + b'"', b"[" + b"{}," * 3_000 + b"{}]",
    *(b"%d" % n for n in LIMITS), *(b"-%d" % n for n in LIMITS), *(b"%d.0" % n for n in LIMITS),
]  # fmt: skip
NAMES: list[bytes] = [b'""', b'"_"', b'"__dict__"', b'"\\u0000"', b'"\\ud800"', b'"a\\nb"', b'"' + b"n" * 5_000 + b'"']
TEXT_PIECES = [
    b"\x00", b"\r", b"\r\n", b"\n", b"\n\n", BOM, b"\xff", b"\xed\xa0\x80", b'"', b"'", b",", b":", b"{", b"}", b"[",
    b"]",
    b"\\", b"&a ", b"*a", b"!!python/object:os.system ", b"%YAML 9.9\n", b"---\n", b"? ", b"- ", b"| ", b"> ", b"#",
    b'"\\UFFFFFFFF"', b'"\\uD800"', b"<<: *a", b"\t", b" ", b"\xe2\x80\xa8", b"\xc2\x85", b"\x1c", b"\x0c",
    b"[" * 400, b"{" * 400, b"9" * 5_000, b"x" * 140_000, b"1e9999999", b"inf", b"nan", b"-1", b"0001-01-01",
]  # fmt: skip
_HOLE, _NAME = "@hole@", "@name@"


def _places(whole: Any) -> list[tuple[Any, Any]]:
    """Every member and item of a JSON value, as the container and the key."""
    found = []
    pairs = whole.items() if isinstance(whole, dict) else enumerate(whole) if isinstance(whole, list) else ()
    for key, part in pairs:
        found += [(whole, key), *_places(part)]
    return found


@st.composite
def json_changed(draw, examples: list[bytes]) -> bytes:
    """A good JSON input with a few members replaced, removed, added, doubled or renamed."""
    whole = json.loads(draw(st.sampled_from(examples)))
    holes: list[bytes] = []
    names: list[bytes] = []
    for _ in range(draw(st.integers(1, 3))):
        places = _places(whole)
        if not places:
            break
        container, key = draw(st.sampled_from(places))
        what = draw(st.sampled_from(("replace", "replace", "remove", "add", "rename", "double")))
        if what == "remove":
            del container[key]
        elif what == "replace" or isinstance(container, list):
            holes.append(draw(st.sampled_from(STRANGE)))
            container[key] = f"{_HOLE}{len(holes)}"
        else:
            double = json.dumps(key).encode()
            names.append(double if what == "double" else draw(st.sampled_from(NAMES)))
            name = f"{_NAME}{len(names)}"
            container[name] = container.pop(key) if what == "rename" else json.loads(json.dumps(container[key]))
    text = json.dumps(whole, ensure_ascii=draw(st.booleans())).encode(errors="surrogatepass")
    for marker, filled in ((_HOLE, holes), (_NAME, names)):
        for number, piece in enumerate(filled, 1):
            text = text.replace(b'"%s%d"' % (marker.encode(), number), piece)
    return text


@st.composite
def bytes_changed(draw, examples: list[bytes]) -> bytes:
    """A good input with bytes flipped, cut off, repeated or put in."""
    data = bytearray(draw(st.sampled_from(examples)))
    for _ in range(draw(st.integers(1, 4))):
        at, to = sorted((draw(st.integers(0, len(data))), draw(st.integers(0, len(data)))))
        what = draw(st.sampled_from(("flip", "insert", "insert", "cut", "truncate", "repeat", "crlf", "front")))
        if what == "flip" and at < len(data):
            data[at] ^= 1 << draw(st.integers(0, 7))
        elif what == "insert":
            data[at:at] = draw(st.sampled_from(TEXT_PIECES))
        elif what == "cut":
            del data[at:to]
        elif what == "truncate":
            del data[at:]
        elif what == "repeat":
            data[at:at] = data[at : min(to, at + 2_000)] * draw(st.integers(1, 3))
        elif what == "crlf":
            data = data.replace(b"\n", b"\r\n")
        elif what == "front":
            data[:0] = draw(st.sampled_from((BOM, b"\x00", b"\n", b" ", b"\xff\xfe")))
    return bytes(data)


_names = sorted(
    {name for body in EXAMPLES.values() for holder, name in _places(json.loads(body)) if isinstance(holder, dict)}
)
_leaves = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=20),
    st.sampled_from(
        ["placed", "EUR", "IE", "claim", "receipt", "tick", "settled", "judged", "decision", "none", "total"]
    ),
    st.sampled_from(["2026-11-24T10:00:00+00:00", "2026-11-23 00:00", "1.0", "com.makeweight.order.v1"]),
)


def json_made() -> st.SearchStrategy[bytes]:
    """JSON with the names and words of our messages, in any shape."""
    keys = st.one_of(st.sampled_from(_names), st.text(max_size=5))
    whole = st.recursive(
        _leaves, lambda part: st.lists(part, max_size=4) | st.dictionaries(keys, part, max_size=8), max_leaves=30
    )
    return st.dictionaries(keys, whole, max_size=12).map(json.dumps).map(str.encode)
