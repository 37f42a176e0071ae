"""A JACK client with a fault in it: `python faulty_box.py [hum] [distort]`; ports box:in, box:out.

It adds hum at 50 Hz and its harmonics, or bends what it passes on so far that a tenth of it is
harmonics.
"""

from __future__ import annotations

import sys
import time

import jack
import numpy as np

HUM = {50.0: 0.01, 100.0: 0.006, 150.0: 0.008, 250.0: 0.004}


def main(faults):
    client = jack.Client("box")
    sound_in, sound_out = client.inports.register("in"), client.outports.register("out")
    played = 0

    @client.set_process_callback
    def process(frames):
        nonlocal played
        sound = sound_in.get_array().astype(np.float64)
        if "distort" in faults:
            sound = sound + 6.0 * np.abs(sound) * sound
        if "hum" in faults:
            angle = 2.0 * np.pi * (played + np.arange(frames)) / client.samplerate
            sound = sound + sum(level * np.sin(hz * angle) for hz, level in HUM.items())
        played += frames
        sound_out.get_array()[:] = sound

    with client:
        while True:
            time.sleep(1.0)


if __name__ == "__main__":
    main(sys.argv[1:])
