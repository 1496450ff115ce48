"""The board: live pages for people who watch, drawn from a service's database and never writing to it."""
