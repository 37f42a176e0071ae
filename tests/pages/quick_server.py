"""Serves the pages like `evenhall open --no-browser --port 0 --data DIR`, in a quick demo hall.

A process of its own, for tests that kill it: `python quick_server.py DIR PACE`.
"""

import sys

from evenhall.cli import main
from evenhall.pages import devices

if __name__ == "__main__":
    folder, pace = sys.argv[1:]
    devices.DEMO_PACE = float(pace)
    sys.argv = ["evenhall", "open", "--no-browser", "--port", "0", "--data", folder]
    main()
