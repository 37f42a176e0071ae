"""A JACK client that makes a sound: `python heard_source.py FILE`; port source:out.

FILE says which, `tone 0.1` or `noise 0.1` with its amplitude (1 kHz, or uniform white noise); it is
looked at twenty times a second.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import jack
import numpy as np


def main(file):
    """Run until it is ended."""
    client = jack.Client("source")
    out = client.outports.register("out")
    rng = np.random.default_rng(1)
    played, said = 0, ("tone", 0.0)

    @client.set_process_callback
    def process(frames):
        nonlocal played
        kind, amplitude = said
        if kind == "tone":
            angle = 2.0 * np.pi * 1000.0 / client.samplerate * (played + np.arange(frames))
            sound = np.sin(angle)
        else:
            sound = rng.uniform(-1.0, 1.0, frames)
        out.get_array()[:] = amplitude * sound
        played += frames

    with client:
        while True:
            words = file.read_text().split()
            if len(words) == 2:  # it may be half written
                said = words[0], float(words[1])
            time.sleep(0.05)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
