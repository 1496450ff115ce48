"""The demo: a busy day of an invented art-materials shop."""
