"""Writes the mower data set "Plaza2" as a folder that the `datasets` example reads.

Data: Djugash, Hamner, Roth, "Navigating with ranging radios: five data sets with ground truth", J. Field Robotics
2009, as carried by the Python package gtsam (gtsam/Data/Plaza2_.mat). Needs: pip install scipy gtsam==4.3.0.

    python plaza2.py FOLDER && cargo run --release -p hereabout-solve --example datasets FOLDER

Scale and offset of each beacon are fitted to the first third (straight line, outliers beyond 2.5 robust sigma left
out) and taken off the ranges, since they are 6-7 % long.
"""

import pathlib
import sys

import gtsam
import numpy as np
import scipy.io

source = pathlib.Path(gtsam.__file__).parent / "Data" / "Plaza2_.mat"
mat = scipy.io.loadmat(source)
truth, ranges, beacons = mat["GT"], mat["TD"], mat["TL"]
start = ranges[0, 0]
split = start + (ranges[-1, 0] - start) / 3


def place(t):
    return np.array([np.interp(t, truth[:, 0], truth[:, k]) for k in (1, 2)])


def line(beacon):
    """Scale and offset of one beacon."""
    rows = [r for r in ranges if r[2] == beacon[0] and truth[0, 0] < r[0] < split]
    true = np.array([np.linalg.norm(place(r[0]) - beacon[1:3]) for r in rows])
    seen = np.array([r[3] for r in rows])
    design, weight = np.c_[true, np.ones(len(true))], np.ones(len(true))
    for _ in range(10):
        fit = np.linalg.lstsq(design * weight[:, None], seen * weight, rcond=None)[0]
        left = np.abs(seen - design @ fit)
        weight = (left < 2.5 * 1.4826 * np.median(left)).astype(float)
    return fit


folder = pathlib.Path(sys.argv[1]) / "plaza2"
folder.mkdir(parents=True, exist_ok=True)
with open(folder / "site.toml", "w") as f:
    f.write('[site]\nname = "mower"\ndimension = "2d"\ntag_height_m = 0.0\n')
    for b in beacons:
        f.write(f'\n[[anchor]]\nid = {int(b[0])}\nname = "beacon"\nat_m = [{b[1]:.4f}, {b[2]:.4f}, 0.0]\n')
fits = {b[0]: line(b) for b in beacons}
with open(folder / "ranges.csv", "w") as f:
    f.write("time_s,anchor,range_m\n")
    for r in ranges:
        scale, offset = fits[r[2]]
        f.write(f"{r[0] - start:.4f},{int(r[2])},{(r[3] - offset) / scale:.4f}\n")
with open(folder / "truth.csv", "w") as f:
    f.write("time_s,x_m,y_m\n")
    for r in truth:
        f.write(f"{r[0] - start:.4f},{r[1]:.4f},{r[2]:.4f}\n")
