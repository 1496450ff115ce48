"""The command line. Results on stdout, messages and progress on stderr, exit codes that mean something."""

from makeweight.cli.main import main

__all__ = ["main"]
