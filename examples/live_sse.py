"""Server-Sent Events of a hereabout daemon, with the standard library alone.

`Stream` gives one JSON message after another and says in time when none comes: it never waits for longer than it
is told to. What the lines mean is in the HTML standard, section "Server-sent events". HTTP/1.0 is asked for, because
its answer is the bare lines, without chunks.
"""

import json
import socket
import time
import urllib.parse


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
        path = "/v1/live.sse?" + urllib.parse.urlencode(query)
        self.link = open_path(url, path, timeout_s)
        try:
            status, headers, self.lines = read_head(self.link, time.monotonic() + timeout_s)
            if status != 200 or not any("text/event-stream" in header for header in headers):
                said = self.lines[:300].decode(errors="replace")
                raise Broken(f"{path} answers {status}: {said}")
        except Broken:
            self.link.close()
            raise
        self.data = []

    def next(self, wait_s):
        """The next message; None when none has come for `wait_s` seconds. Broken when the stream has ended."""
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
