"""A server that is as impatient as a test must be, and those who speak to it on real sockets."""

import asyncio
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import uvicorn
from starlette.types import Receive, Scope, Send

from app.web.wire import Wire

LOOK = 0.03
HEAD_ENDS, STILL_ENDS = 4 * LOOK, 40 * LOOK  # seconds
GET = b"GET / HTTP/1.1\r\nHost: here\r\n\r\n"
BODY = b"POST / HTTP/1.1\r\nHost: here\r\nContent-Length: 20\r\n\r\n"
LARGE = 32 << 20  # bytes: more than the buffers of two sockets take


class Impatient(Wire):
    look_every, head_looks, still_looks, most, least_rate = LOOK, 4, 40, 20, 2


class Plant:
    """An app that counts what came, as large an answer as is asked, as late as is asked; and what became of each request."""

    def __init__(self) -> None:
        self.ends: list[str] = []

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        size, more = 0, True
        while more:
            message = await receive()
            if message["type"] == "http.disconnect":
                self.ends.append("left")
                return
            size, more = size + len(message.get("body", b"")), message.get("more_body", False)
        if scope["path"] == "/late":
            await asyncio.sleep(STILL_ENDS * 1.5)
        answer = b"." * LARGE if scope["path"] == "/large" else b"%d bytes" % size
        await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"%d" % len(answer))]})
        await send({"type": "http.response.body", "body": answer})
        self.ends.append("answered")


@contextmanager
def served(config: uvicorn.Config) -> Iterator[tuple[str, int]]:
    with socket.socket() as here:
        here.bind(("127.0.0.1", 0))
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [here]}, daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.01)
        yield here.getsockname()
        server.should_exit = server.force_exit = True
        thread.join(timeout=10)


@contextmanager
def connected(address: tuple[str, int]) -> Iterator[socket.socket]:
    with socket.create_connection(address, timeout=20) as connection:
        yield connection


def all_of(connection: socket.socket) -> bytes:
    """What comes until the other side closes. Raises if it never does."""
    found = []
    try:
        while piece := connection.recv(1 << 20):
            found.append(piece)
    except ConnectionError:
        pass
    return b"".join(found)
