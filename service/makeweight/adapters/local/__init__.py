"""The embedded host: both stages in one process, on SQLite or in memory."""
