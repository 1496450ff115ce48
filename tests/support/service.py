"""A service that is killed when it is at a place for the nth time: ``python -m tests.support.service PLACE:N serve …``.

It is the real command; only the SIGKILL is added.
"""

import os
import signal
import sys

from makeweight import bootstrap
from makeweight.adapters.local.host import Host
from makeweight.cli.main import app

# Of a row that `publish` left: before its commit, and after it. Of a file of the inbox folder: before it is moved.
PLACES = {
    "in a row": (Host, "_finish"),
    "after a row": (Host, "_take_pending"),
    "before a move": (bootstrap, "_free_name"),
}


def killed_at(owner, name, number, *, first):
    """Kill this process when a function was called for the nth time; ``first``: it does its work before."""
    whole, left = getattr(owner, name), [number]

    def counted(*arguments):
        left[0] -= 1
        if left[0] == 0:
            if first:
                whole(*arguments)
            os.kill(os.getpid(), signal.SIGKILL)
        return whole(*arguments)

    setattr(owner, name, counted)


def main():
    """Run the command."""
    place, _, number = sys.argv.pop(1).partition(":")
    killed_at(*PLACES[place], int(number), first=place == "after a row")
    app()


if __name__ == "__main__":
    main()
