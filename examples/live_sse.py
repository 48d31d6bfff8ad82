"""Server-Sent Events of a hereabout daemon, with the standard library alone.

`Stream` gives one JSON message after another and says in time when none comes: it never waits for longer than it
is told to. What the lines mean is in the HTML standard, section "Server-sent events". HTTP/1.0 is asked for, because
its answer is the bare lines, without chunks.

It also tells how old a message is, without a wall clock:
- It asks with a nonce, a word that nobody used before. The stream must begin with it, and soon: so it is this stream
  and a new one, and nothing in it waited for longer than the opening took.
- `sender_s` of a message is the daemon's steady time. The smallest difference to the steady clock here is that of the
  quickest message; what comes later than that waited somewhere, `waited_s`, and holds for that much shorter.
"""

import datetime
import json
import math
import re
import secrets
import socket
import sys
import time
import urllib.parse

# A stream that takes longer to open may be as old as that. Half of what a message usually holds.
OPEN_WITHIN_S = 0.3
# A message that waited for longer than this is late.
LATE_S = 0.3
# Wall clocks that differ by more are told.
CLOCKS_AGREE_S = 1.0


class Broken(Exception):
    """The daemon can't be reached, has gone, or what answers is no hereabout daemon."""


def open_path(url, path, timeout_s):
    """Asks the daemon at `url`, like http://127.0.0.1:6208, for `path`; gives the socket."""
    parts = urllib.parse.urlsplit(url)
    if parts.scheme != "http" or not parts.hostname:
        raise Broken(f"{url} is not an address like http://127.0.0.1:6208")
    try:
        link = socket.create_connection((parts.hostname, parts.port or 80), timeout_s)
        link.sendall(f"GET {path} HTTP/1.0\r\nHost: {parts.netloc}\r\n\r\n".encode())
        return link
    except OSError as error:
        raise Broken(f"{url}: {error}") from error


def read_some(link, until):
    """What has come, at the latest at `until`: bytes, none when the other side has closed; None in time."""
    left_s = until - time.monotonic()
    if left_s <= 0:
        return None
    try:
        link.settimeout(left_s)
        return link.recv(65536)
    except TimeoutError:
        return None
    except OSError as error:
        raise Broken(f"the connection broke: {error}") from error


def read_head(link, until):
    """Status, headers in lower case, and the bytes after them."""
    data = b""
    while b"\r\n\r\n" not in data:
        more = read_some(link, until)
        if more is None:
            raise Broken("no answer in time: the daemon, or what is between, does not answer")
        if not more or len(data) > 65536:
            raise Broken("what answers there is no hereabout daemon")
        data += more
    head, body = data.split(b"\r\n\r\n", 1)
    first, *rest = head.decode(errors="replace").split("\r\n")
    if not first.startswith("HTTP/1.") or not first[9:12].isdigit():
        raise Broken("what answers there does not speak HTTP")
    return int(first[9:12]), [line.lower() for line in rest], body


def get_json(url, path, timeout_s=1.0):
    """One JSON document of the daemon."""
    until = time.monotonic() + timeout_s
    with open_path(url, path, timeout_s) as link:
        status, _, body = read_head(link, until)
        while more := read_some(link, until):
            body += more
    if more is None:
        raise Broken(f"{path}: no answer within {timeout_s} s")
    if status != 200:
        raise Broken(f"{path} answers {status}: {body[:300].decode(errors='replace')}")
    try:
        return json.loads(body)
    except ValueError as error:
        raise Broken(f"{path}: {error}") from error


class Stream:
    """Messages of /v1/live.sse. `query` holds topics, tag and so on."""

    def __init__(self, url, query, timeout_s=1.0):
        nonce = secrets.token_urlsafe(16)
        path = "/v1/live.sse?" + urllib.parse.urlencode({**query, "nonce": nonce})
        self.data = []
        self.quickest = math.inf  # steady time here less the daemon's, of the message that came quickest
        asked = time.monotonic()
        self.link = open_path(url, path, timeout_s)
        try:
            status, headers, self.lines = read_head(self.link, asked + timeout_s)
            if status != 200 or not any("text/event-stream" in header for header in headers):
                said = self.lines[:300].decode(errors="replace")
                raise Broken(f"/v1/live.sse answers {status}: {said}")
            first = self.next(asked + timeout_s - time.monotonic())
            if first is None or first.get("type") != "nonce" or first.get("nonce") != nonce:
                raise Broken("the stream does not begin with the nonce of this question: it is old, or another one's")
            took_s = time.monotonic() - asked
            if took_s > OPEN_WITHIN_S:
                raise Broken(f"the stream took {took_s:.1f} s to open: what it says may be as old as that")
        except Exception:
            self.link.close()
            raise

    def next(self, wait_s):
        """The next message; None when none has come for `wait_s` seconds. Broken when the stream has ended.

        With `waited_s`, how much longer than the quickest one it took to come here, where it says when it left.
        """
        until = time.monotonic() + wait_s
        while (message := self._take()) is None:
            more = read_some(self.link, until)
            if more is None:
                return None
            if not more:
                raise Broken("the daemon ended the stream")
            self.lines += more
            if len(self.lines) > 1_000_000:
                raise Broken("a line of more than a megabyte: this is no hereabout daemon")
        if "sender_s" in message:
            # By the time of now, so that what this program itself let lie counts as well.
            apart = time.monotonic() - message["sender_s"]
            self.quickest = min(self.quickest, apart)
            message["waited_s"] = apart - self.quickest
        return message

    def _take(self):
        """A message out of the whole lines that are there."""
        while b"\n" in self.lines:
            line, self.lines = self.lines.split(b"\n", 1)
            line = line.decode(errors="replace").rstrip("\r")
            if line.startswith("data:"):
                self.data.append(line[5:].removeprefix(" "))
            elif not line and self.data:
                text, self.data = "\n".join(self.data), []
                try:
                    return json.loads(text)
                except ValueError as error:
                    raise Broken(f"not JSON: {text[:200]}") from error
        return None

    def close(self):
        """Lets go of the connection."""
        self.link.close()


def seconds(stamp):
    """An RFC 3339 stamp in seconds."""
    return datetime.datetime.fromisoformat(stamp.replace("Z", "+00:00")).timestamp()


class WallClocks:
    """How far the daemon's clock and the one of this machine are apart. Nothing rests on it; it is told, once."""

    def __init__(self):
        self.apart_s = 0.0
        self.told = False

    def look(self, message):
        """Takes in a message that still held when it left: until `valid_until`, for `valid_for_s`."""
        if message["valid_for_s"] <= 0:
            return
        daemon = seconds(message["valid_until"]) - message["valid_for_s"]
        self.apart_s = time.time() - message["waited_s"] - daemon
        if abs(self.apart_s) > CLOCKS_AGREE_S and not self.told:
            self.told = True
            print(self.words(), file=sys.stderr, flush=True)

    def words(self):
        return f"the daemon's clock and this one differ by {abs(self.apart_s):.1f} s"


class Reasons:
    """Reasons that were told. One that differs from another in its numbers alone is the same."""

    def __init__(self):
        self.told = set()

    def is_new(self, why):
        kind = re.sub(r"[0-9.]+", "#", why)
        if kind in self.told:
            return False
        if len(self.told) >= 100:
            self.told.clear()
        self.told.add(kind)
        return True

    def forget(self):
        self.told.clear()
