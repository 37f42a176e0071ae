"""A JACK client that is a microphone on its way: `python carried.py PLACES STEP_S`.

Ports carried:in_1 and on hear what each place does; carried:out goes from one to the next, fading
over a tenth of each step, and begins again behind the last.
"""

from __future__ import annotations

import sys
import time

import jack
import numpy as np

FADE = 0.1  # of a step


def main(places, step_s):
    client = jack.Client("carried")
    heard = [client.inports.register(f"in_{k}") for k in range(1, places + 1)]
    out = client.outports.register("out")
    played = 0

    @client.set_process_callback
    def process(frames):
        nonlocal played
        step = (played + np.arange(frames)) / (step_s * client.samplerate)
        played += frames
        place, along = np.divmod(step, 1.0)
        fades = np.clip((along - 1.0 + FADE) / FADE, 0.0, 1.0) * np.pi / 2.0
        sound = np.zeros(frames)
        for here in np.unique(place):
            at = place == here
            this, after = (heard[int(here + k) % places].get_array() for k in (0, 1))
            sound += at * (np.cos(fades) * this + np.sin(fades) * after)
        out.get_array()[:] = sound

    with client:
        while True:
            time.sleep(1.0)


if __name__ == "__main__":
    main(int(sys.argv[1]), float(sys.argv[2]))
