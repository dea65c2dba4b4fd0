"""Owns the talk with the agent inside the box. Never decides what is run."""

import socket
import time

from .host import Failed


class Lost(Failed):
    """The box does not answer any more."""


class Answer:
    """What a command did."""

    def __init__(self, code, out, err):
        self.code = code
        self.raw = out
        self.out = out.decode(errors="replace")
        self.err = err.decode(errors="replace")


class Agent:
    """A line to the box, open as long as its machine has power."""

    def __init__(self, path, deadline):
        self.socket = connected(path, deadline)
        self.buffer = b""
        self.number = 0

    def wait_ready(self, deadline):
        """Waits until the box has booted so far that it takes commands."""
        while True:
            line = self.line(deadline)
            if line == "ready":
                return

    def run(self, script, stdin=b"", within=60):
        """Runs a script as root."""
        self.number += 1
        body = script.encode()
        head = f"{self.number} {len(body)} {len(stdin)}\n".encode()
        deadline = time.monotonic() + within
        try:
            self.socket.settimeout(within)
            self.socket.sendall(head + body + stdin)
        except OSError as error:
            raise Lost(f"the box takes no commands: {error}") from None
        number, code, out, err = (int(word) for word in self.line(deadline).split())
        if number != self.number:
            raise Lost(f"the box answers to command {number}, asked was {self.number}")
        return Answer(code, self.take(out, deadline), self.take(err, deadline))

    def line(self, deadline):
        while b"\n" not in self.buffer:
            self.more(deadline)
        line, self.buffer = self.buffer.split(b"\n", 1)
        return line.decode(errors="replace")

    def take(self, count, deadline):
        while len(self.buffer) < count:
            self.more(deadline)
        taken, self.buffer = self.buffer[:count], self.buffer[count:]
        return taken

    def more(self, deadline):
        left = deadline - time.monotonic()
        if left <= 0:
            raise Lost("the box does not answer in time")
        self.socket.settimeout(left)
        try:
            got = self.socket.recv(1 << 20)
        except TimeoutError:
            raise Lost("the box does not answer in time") from None
        except OSError as error:
            raise Lost(f"the line to the box broke: {error}") from None
        if not got:
            raise Lost("the machine has no power any more")
        self.buffer += got

    def close(self):
        self.socket.close()


def connected(path, deadline):
    """A connection to a socket that is about to be there."""
    while True:
        line = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            line.connect(str(path))
            return line
        except OSError as error:
            line.close()
            if time.monotonic() > deadline:
                raise Lost(f"{path}: {error}") from None
            time.sleep(0.02)
