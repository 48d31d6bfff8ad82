"""How many times faster a frame is than SciPy's robust least squares on the same frames.

    pip install scipy numpy
    python3 crates/solve/benches/scipy_ratio.py

Runs `cargo run --release -p hereabout-solve --example frame_times`, which times the estimators over the run of
the bench `robust` (1000 frames of eight ranges, a tenth of them late, 2D and 3D) and writes the frames out; then
`scipy.optimize.least_squares(loss="soft_l1")` gets the same frames, with an analytic Jacobian and each fix started
at the one before (as kind a start as it can have). Both run the frames several times and the fastest round counts:
what else the machine does only ever adds. Aims: snapshot at least 10 times, tracker at least 15 times faster.
"""

import csv
import os
import subprocess
import tempfile
import time

import numpy as np
from scipy.optimize import least_squares

SIGMA_M = 0.08
TAG_HEIGHT_M = 0.9
ROUNDS = 5
AIMS = {"snapshot": 10.0, "tracker": 15.0}


def measured(folder):
    """Microseconds per frame of each estimator, and the frames of each dimension."""
    path = os.path.join(folder, "frames.csv")
    command = ["cargo", "run", "--release", "-q", "-p", "hereabout-solve", "--example", "frame_times", "--", path]
    rows = csv.DictReader(subprocess.run(command, check=True, capture_output=True, text=True).stdout.splitlines())
    times = {(int(r["dimension"]), r["estimator"]): float(r["microseconds"]) for r in rows}
    frames = {2: {}, 3: {}}
    with open(path, newline="", encoding="utf-8") as file:
        for r in csv.DictReader(file):
            frame = frames[int(r["dimension"])].setdefault(int(r["frame"]), ([], []))
            frame[0].append([float(r["east_m"]), float(r["north_m"]), float(r["up_m"])])
            frame[1].append(float(r["range_m"]))
    return times, {d: [(np.array(a), np.array(z)) for a, z in f.values()] for d, f in frames.items()}


def scipy_microseconds(frames, unknowns):
    """Time of one fix, mean over the frames of the fastest round."""
    return min(round_seconds(frames, unknowns) for _ in range(ROUNDS)) / len(frames) * 1e6


def round_seconds(frames, unknowns):
    """Time of all frames, one after the other."""
    start = np.array([8.0, 5.0, TAG_HEIGHT_M][:unknowns])
    began = time.perf_counter()
    for anchors, ranges in frames:

        def apart(x, anchors=anchors):
            tag = x if unknowns == 3 else np.append(x, TAG_HEIGHT_M)
            return tag - anchors

        def residuals(x, ranges=ranges):
            return (ranges - np.linalg.norm(apart(x), axis=1)) / SIGMA_M

        def jacobian(x):
            v = apart(x)
            return -(v / np.linalg.norm(v, axis=1)[:, None])[:, :unknowns] / SIGMA_M

        start = least_squares(residuals, start, jac=jacobian, loss="soft_l1").x
    return time.perf_counter() - began


def main():
    with tempfile.TemporaryDirectory() as folder:
        times, frames = measured(folder)
    for unknowns in (2, 3):
        reference = scipy_microseconds(frames[unknowns], unknowns)
        plain = times[unknowns, "plain"]
        print(f"{unknowns}D, 8 ranges: SciPy soft_l1 {reference:.0f} us per fix")
        for name in ("plain", "gated", "snapshot", "tracker"):
            mine = times[unknowns, name]
            ratio = reference / mine
            aim = AIMS.get(name)
            verdict = "" if aim is None else f"  (aim {aim:.0f}: {'reached' if ratio >= aim else 'missed'})"
            print(f"  {name:<9}{mine:8.1f} us {mine / plain:7.1f} x plain   SciPy takes {ratio:6.1f} x as long{verdict}")


if __name__ == "__main__":
    main()
