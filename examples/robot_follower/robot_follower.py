#!/usr/bin/env python3
"""Prints the poses of a tag as JSON lines for a robot, by REP-103 (units, axes) and REP-105 (frames).

CAUTION: an example, and not a safety component. A robot that moves on a wrong pose can hurt someone:
- Bumpers, scanners, speed limits and the emergency stop stay independent of this and overrule it.
- A line with "stop" means: no position. Stop, or go on by odometry alone; never move on the last pose.
- Local codes and the robot maker's rules come first.

What the lines are:
- REP-103: metres, radians, right-handed; the map's x is east, y north, z up. Covariance: 6 × 6, row by row, in
  the order x, y, z, rotation about x, y, z. What is not known is null, never 0: so is the variance of z at a flat site
  that states no error of its tag's height ([site] tag_height_se_m).
- REP-105: `map` is a frame that does not drift but may jump; a planner must not differentiate it. A pose here is that
  of the tag's frame `tag_N` in `map`; `odom` and `base_link` belong to the robot, which knows where the tag sits on it.
- A tag has no heading. While it moves, the direction of travel is given as yaw, with its variance; else null.

A pose holds for `valid_for_s` by this machine's steady clock, less what it waited on its way here (see live_sse.py). No
wall clock is needed; when the daemon's and this one differ, that is told on standard error. While there is no position
each further reason is one more line with "stop".

    examples/robot_follower/robot_follower.py --tag 0

Standard library only.
"""

import argparse
import json
import math
import pathlib
import sys
import time

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent))
from live_sse import LATE_S, Broken, Reasons, Stream, WallClocks  # noqa: E402  (it lies one folder up)

# Without a message for this long while there is no position, silence is a reason of its own.
SILENCE_S = 1.0
# Slower than this the direction of travel is noise, m/s; common practice, no source.
MOVING_MPS = 0.2
# Standard deviation of the velocity's direction at that speed, radians; it falls as the speed grows.
YAW_SD_AT_MOVING = 0.5


def yaw_of(velocity_mps):
    """Direction of travel and its variance: counter-clockwise from east, radians; None for a tag that stands."""
    if velocity_mps is None:
        return None
    east, north = velocity_mps[0], velocity_mps[1]
    speed = math.hypot(east, north)
    if speed < MOVING_MPS:
        return None
    return math.atan2(north, east), (YAW_SD_AT_MOVING * MOVING_MPS / speed) ** 2


def covariance(position_m2, yaw_variance):
    """6 × 6, row by row. A rotation's row and column are null where nothing is known about it; so may the variance of z be."""
    rows = [[None] * 6 for _ in range(6)]
    for i in range(3):
        for k in range(3):
            rows[i][k] = position_m2[i][k]
    rows[5][5] = yaw_variance
    return [value for row in rows for value in row]


def pose(message):
    """The pose of a position message."""
    yaw = yaw_of(message["velocity_mps"])
    half = yaw[0] / 2 if yaw else 0.0
    return {
        "stamp": message["time"],
        "frame_id": "map",
        "child_frame_id": f"tag_{message['tag']}",
        "position": dict(zip("xyz", message["position_m"])),
        "orientation": {"x": 0.0, "y": 0.0, "z": math.sin(half), "w": math.cos(half)} if yaw else None,
        "covariance": covariance(message["covariance_m2"], yaw[1] if yaw else None),
        "checked": message["checked"],
        "jumped": message["restarted"],
    }


def why_stop(message):
    """Why nobody may move on this message; None when they may."""
    if message["state"] != "located" or message["position_m"] is None:
        return message["state"]
    if not message["checked"]:
        return "unchecked"
    return None


class Follower:
    """Prints poses, and one stop line for each time without them."""

    def __init__(self, args):
        self.args = args
        self.clocks = WallClocks()
        self.reasons = Reasons()

    def stop(self, why):
        """Says that there is no position: at once, and each new reason once more."""
        if self.reasons.is_new(why):
            print(json.dumps({"stop": why}), flush=True)

    def take(self, message):
        """A position message; gives the steady time until which it holds."""
        self.clocks.look(message)
        why = why_stop(message)
        hold_s = message["valid_for_s"] - message["waited_s"]
        max_age_s = self.args.max_age_s
        if why is None and hold_s <= 0:
            late = message["waited_s"] > LATE_S
            why = f"message waited for {message['waited_s']:.1f} s on its way" if late else "message has run out"
        if why is None and max_age_s is not None and abs(self.clocks.apart_s) > max_age_s:
            why = f"{self.clocks.words()}, where --max-age-s allows {max_age_s} s"
        if why:
            self.stop(why)
            return time.monotonic() + SILENCE_S
        self.reasons.forget()
        print(json.dumps(pose(message)), flush=True)
        return time.monotonic() + hold_s

    def follow(self):
        """One stream, until it breaks."""
        stream = Stream(self.args.url, {"topics": "position", "tag": self.args.tag})
        holds_until = time.monotonic() + SILENCE_S
        try:
            while True:
                message = stream.next(0.05)
                if message is not None and message["type"] == "position":
                    holds_until = self.take(message)
                elif time.monotonic() > holds_until:
                    self.stop("silence")
        finally:
            stream.close()

    def run(self):
        self.stop("start")
        while True:
            try:
                self.follow()
            except Broken as error:
                self.stop(str(error))
            except (KeyError, TypeError, ValueError) as error:
                self.stop(f"a message that makes no sense: {error!r}")
            time.sleep(0.2)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--url", default="http://127.0.0.1:6208")
    parser.add_argument("--tag", type=int, default=0)
    parser.add_argument("--max-age-s", type=float, help="stop, too, while the wall clocks differ by more than this")
    try:
        Follower(parser.parse_args()).run()
    except KeyboardInterrupt:
        sys.exit(130)


if __name__ == "__main__":
    main()
