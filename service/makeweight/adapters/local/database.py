"""The embedded service's database: one SQLite file with input, both logs, state and outbox, committed together."""

import fcntl
import sqlite3
from pathlib import Path
from typing import IO

from makeweight.adapters.local.counting import TALLY_TABLE
from makeweight.adapters.local.store import STATE_TABLE

SCHEMA_VERSION = 1
FILE_NAME = "makeweight.db"
LOCK_NAME = "serving.lock"
BUSY_SECONDS = 30  # publish and explain share the file with the running service

_SCHEMA = f"""
CREATE TABLE meta (name TEXT PRIMARY KEY, body TEXT NOT NULL) WITHOUT ROWID;
-- what came in, as it came, ordered by position. Everything up to meta.handled has been worked on
CREATE TABLE inbox (position INTEGER PRIMARY KEY, topic TEXT NOT NULL, key TEXT NOT NULL, source TEXT NOT NULL,
    id TEXT NOT NULL, received_at TEXT NOT NULL, body BLOB NOT NULL);
CREATE TABLE desk_log (position INTEGER PRIMARY KEY, key TEXT NOT NULL, id TEXT NOT NULL, body BLOB NOT NULL);
CREATE INDEX desk_log_key ON desk_log (key, position);
CREATE TABLE ledger_log (position INTEGER PRIMARY KEY, key TEXT NOT NULL, id TEXT NOT NULL, body BLOB NOT NULL);
CREATE TABLE outbox (position INTEGER PRIMARY KEY, channel TEXT NOT NULL, id TEXT NOT NULL, route TEXT NOT NULL,
    body BLOB NOT NULL);
CREATE INDEX outbox_id ON outbox (channel, id, position);
CREATE TABLE campaigns (campaign TEXT NOT NULL, revision INTEGER NOT NULL, published_at TEXT NOT NULL,
    effective_at TEXT NOT NULL, body BLOB NOT NULL, PRIMARY KEY (campaign, revision)) WITHOUT ROWID;
CREATE TABLE rejects (position INTEGER PRIMARY KEY, topic TEXT NOT NULL, key TEXT NOT NULL, code TEXT NOT NULL,
    sentence TEXT NOT NULL, received_at TEXT NOT NULL, body BLOB NOT NULL);
{STATE_TABLE};
{TALLY_TABLE};
"""


class DatabaseError(RuntimeError):
    """The database can't be used as it is; the message says what to do."""


def connect(directory: Path, *, create: bool = True, mirror: bool = False) -> sqlite3.Connection:
    """Open the database of a state directory; ``mirror`` is said by what keeps a copy of topics there.

    WAL with synchronous=FULL: a commit is on the disk when it returns, and readers never wait for the writer.
    ``DatabaseError`` if there is none and ``create`` is false, another version of the program made it, or what may
    write to it would write to a copy.
    """
    path = directory / FILE_NAME
    if not path.exists() and not create:
        raise DatabaseError(f"{directory} holds no service state; name the directory that `serve` runs on")
    try:
        directory.mkdir(parents=True, exist_ok=True)
        connection = sqlite3.connect(path, timeout=BUSY_SECONDS, isolation_level=None, check_same_thread=False)
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("PRAGMA cache_size=-65536")
        _set_up(connection, directory)
        is_mirror = connection.execute("SELECT 1 FROM meta WHERE name = 'mirror:prefix'").fetchone()
    except (OSError, sqlite3.Error) as error:
        raise DatabaseError(f"{path} can't be opened: {error}") from None
    if is_mirror and create and not mirror:
        connection.close()
        raise DatabaseError(f"{directory} holds a copy of Kafka's topics; a service needs a directory of its own")
    return connection


def claim_directory(directory: Path) -> IO[str]:
    """Be the one service of a state directory until the file that is returned is closed, or the process ends.

    Two services would each grant from stock that the other has given away: what they keep in memory is theirs alone.
    ``DatabaseError`` if another one runs.
    """
    directory.mkdir(parents=True, exist_ok=True)
    file = (directory / LOCK_NAME).open("w")
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        file.close()
        text = f"another service runs on {directory}; stop it, or send it the events over HTTP"
        raise DatabaseError(text) from None
    return file


def _set_up(connection: sqlite3.Connection, directory: Path) -> None:
    connection.execute("BEGIN IMMEDIATE")
    try:
        known = connection.execute("SELECT 1 FROM sqlite_schema WHERE name = 'meta'").fetchone()
        if known is None:
            for statement in _SCHEMA.split(";"):
                if statement.strip():
                    connection.execute(statement)
            connection.execute("INSERT INTO meta VALUES ('schema', ?), ('handled', '0')", (str(SCHEMA_VERSION),))
        version = int(connection.execute("SELECT body FROM meta WHERE name = 'schema'").fetchone()[0])
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")
    if version != SCHEMA_VERSION:
        raise DatabaseError(f"{directory} was made by schema {version}; this program reads schema {SCHEMA_VERSION}")
