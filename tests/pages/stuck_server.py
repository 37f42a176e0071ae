"""Serves the pages where an import never ends: `python stuck_server.py DIR`, see `test_ending`."""

import sys

from evenhall.cli import main
from evenhall.pages import devices
from evenhall.pages.api import visits


def _never(store, file):
    del store, file
    print("importing", flush=True)  # noqa: T201
    while True:
        pass


if __name__ == "__main__":
    visits.read_folder = _never
    devices.DEMO_PACE = 1.0
    sys.argv = ["evenhall", "open", "--demo", "--no-browser", "--port", "0", "--data", sys.argv[1]]
    main()
