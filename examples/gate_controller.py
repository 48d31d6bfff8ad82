#!/usr/bin/env python3
"""Opens a door while a tag is inside a zone, and closes it whenever that is not certain.

CAUTION: an example, and not a safety component. A door can crush and an open gate can let someone into danger:
- Force limits, safety edges, light curtains and the emergency stop stay independent of this and overrule it.
  Powered doors are under standards and local codes (EN 12453, for instance): leave them to licensed trades.
- A range is no proof of presence: it can be relayed or shortened by an attacker. Never the only key.
- "Closed" is taken for the safe state here. Where closing is the danger, turn it round, with the trade that answers for it.

The rule. The door may be open only while all of this holds; else it is closed, with the reason:
- the newest message about the zone and the tag says `inside`;
- it came less than its own time of validity ago (`valid_for_s`), by this machine's steady clock, so that silence closes;
  what it waited on its way (see live_sse.py) is taken off, so that messages out of some buffer close;
- the stream begins with the nonce that was asked with: it is the one of this question, and a new one;
- the daemon is the one of the start: same site, same zone. Another one on the same port closes, and stays closed.

No wall clock is needed. When the daemon's and this one differ, that is told; with --max-age-s it closes as well.

    examples/gate_controller.py --zone 'roller door' --tag 0

Each change is one line: OPEN or CLOSE and why. While it stays closed each further reason is told once, on standard
error. Put your own relay into `Door.drive`. Standard library only.
"""

import argparse
import signal
import sys
import time

from live_sse import LATE_S, Broken, Reasons, Stream, WallClocks, get_json

# Without a message about the zone for this long, that is the reason.
NOTHING_SAID_S = 2.0


class Door:
    """What is driven. Starts closed."""

    def __init__(self):
        self.is_open = None
        self.reasons = Reasons()

    def set(self, is_open, why):
        """Drives the door when something changes, and says so; while it stays closed, each new reason once."""
        if is_open:
            self.reasons.forget()
        is_new = not is_open and self.reasons.is_new(why)
        if is_open != self.is_open:
            self.is_open = is_open
            self.drive(is_open)
            print("OPEN " if is_open else "CLOSE", why, flush=True)
        elif is_new:
            print("closed:", why, file=sys.stderr, flush=True)

    def drive(self, is_open):
        """Here goes the relay. It should drop to closed by itself when this program dies."""


class Belief:
    """The newest message about the zone, and how long it may be believed."""

    def __init__(self, clocks, max_age_s):
        self.clocks = clocks
        self.max_age_s = max_age_s
        self.since = time.monotonic()
        self.message = None
        self.until = 0.0

    def take(self, message):
        self.message = message
        self.since = time.monotonic()
        self.until = self.since + message["valid_for_s"] - message["waited_s"]
        self.clocks.look(message)

    def hold_s(self):
        """Seconds for which the newest message still holds."""
        return self.until - time.monotonic() if self.message else 0.0

    def answer(self):
        """May the door be open, and why."""
        if self.message is None:
            for_s = time.monotonic() - self.since
            return False, "nothing is known yet" if for_s < NOTHING_SAID_S else f"nothing was said of the zone for {for_s:.0f} s"
        if self.message["state"] != "inside":
            return False, f"{self.message['state']}: {self.message['words']}"
        if self.hold_s() <= 0:
            if self.message["valid_for_s"] <= 0:
                return False, "the newest message had run out when it left the daemon: that is behind"
            if self.message["waited_s"] > LATE_S:
                return False, f"the newest message waited for {self.message['waited_s']:.1f} s on its way: it is old"
            return False, "silence: the last message holds no longer"
        if self.max_age_s is not None and abs(self.clocks.apart_s) > self.max_age_s:
            return False, f"{self.clocks.words()}, where --max-age-s allows {self.max_age_s} s"
        return True, self.message["words"]


class Gate:
    """Follows one zone and one tag, over as many connections as it takes."""

    def __init__(self, args):
        self.args = args
        self.door = Door()
        self.clocks = WallClocks()
        self.known = None  # site and zone of the daemon at the start

    def run(self):
        self.door.set(False, "start")
        try:
            while True:
                try:
                    self.follow()
                except Broken as error:
                    self.door.set(False, str(error))
                except (KeyError, TypeError, ValueError) as error:
                    self.door.set(False, f"a message that makes no sense: {error!r}")
                time.sleep(0.2)
        finally:
            # Whatever ends this program: interrupt, signal, a mistake in here.
            self.door.set(False, "this program ends")

    def follow(self):
        """One stream, until it breaks."""
        args = self.args
        stream = Stream(args.url, {"topics": "zone,event", "zone": args.zone, "tag": args.tag})
        try:
            # Asked after the stream is open, so that it is the daemon of the stream that answers.
            self.check_identity()
            belief = Belief(self.clocks, args.max_age_s)
            while True:
                self.door.set(*belief.answer())
                message = stream.next(min(max(belief.hold_s(), 0.0) + 0.01, 0.1))
                if message is None:
                    continue
                if message["type"] == "zone" and (message["zone"], message["tag"]) == (args.zone, args.tag):
                    belief.take(message)
                elif message["type"] == "event" and message["kind"] in ("configuration", "calibration"):
                    raise Broken("the daemon's configuration was changed")
        finally:
            stream.close()

    def check_identity(self):
        """Site and zone must stay what they were when this program started."""
        site = get_json(self.args.url, "/v1/site")
        zone = next((z for z in site["zones"] if z["name"] == self.args.zone), None)
        found = (site["name"], zone)
        if zone is None:
            raise Broken(f'site "{site["name"]}" has no zone "{self.args.zone}"')
        if self.known is None:
            self.known = found
        if found != self.known:
            raise Broken(f'site "{site["name"]}" or its zone is not the one of the start. Closed until that one is back')


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--url", default="http://127.0.0.1:6208")
    parser.add_argument("--zone", required=True, help="name of the zone, as in the site file")
    parser.add_argument("--tag", type=int, default=0)
    parser.add_argument("--max-age-s", type=float, help="close, too, while the wall clocks differ by more than this")
    # A polite kill must close the door as Ctrl-C does.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    try:
        Gate(parser.parse_args()).run()
    except KeyboardInterrupt:
        sys.exit(130)


if __name__ == "__main__":
    main()
