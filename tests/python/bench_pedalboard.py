"""Times blocks of `pedalboard`, a general-purpose library, for `cargo xtask bench`.

Takes the file with the programme, raw 32-bit floats, left then right. Answers requests on standard
input as the engine's own program does: `run CASE RATE BLOCK` with tabs in between, a block of 0 for
the whole array, is answered with nanoseconds per stereo frame.
"""

import sys
import time

import numpy as np
import pedalboard

# At the settings the engine is measured at.
CASES = {
    "pedalboard: Compressor": lambda: pedalboard.Compressor(
        threshold_db=-18, ratio=2, attack_ms=10, release_ms=150
    ),
    "pedalboard: HighpassFilter": lambda: pedalboard.HighpassFilter(cutoff_frequency_hz=80),
    "pedalboard: Distortion": lambda: pedalboard.Distortion(drive_db=6),
}


def main():
    programme = np.fromfile(sys.argv[1], "<f4").reshape(2, -1)
    frames = programme.shape[1]
    blocks = {name: make() for name, make in CASES.items()}
    for request in sys.stdin:
        what, name, rate, block = request.rstrip("\n").split("\t")
        assert what == "run", f"unknown request {what}"
        size = int(block) or frames
        process = blocks[name].process
        process(programme[:, : frames // 10], float(rate), buffer_size=size, reset=False)
        start = time.perf_counter_ns()
        process(programme, float(rate), buffer_size=size, reset=False)
        print((time.perf_counter_ns() - start) / frames, flush=True)


if __name__ == "__main__":
    main()
