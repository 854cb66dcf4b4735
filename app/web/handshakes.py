"""HTTPS of the server's own: a connection whose handshake is not ended is one among the others.

Where the event loop takes connections and makes the handshake itself, nobody counts them before its end: a thousand that began none took all
files that a service may have open, for a minute each. Here they are waited for like a head, and make room like any other.
"""

import asyncio
import os
import socket
import ssl
from typing import Any, cast

import uvicorn
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from uvicorn.server import ServerState

from app.web.wire import Guest, Wire, make_room

_LONGER_THAN_LOOKS = 3600  # seconds: whoever keeps the server waiting is cut off before, and who takes an answer slowly has time
_PIECE = 1 << 16  # bytes


class WithTls(uvicorn.Config):
    """The event loop makes no handshakes; `Handshake` does."""

    tls: ssl.SSLContext

    def load(self) -> None:
        super().load()
        assert self.ssl is not None
        self.tls, self.ssl = self.ssl, None


class Handshake(asyncio.Protocol):
    """Ends as a `wire`."""

    wire = Wire

    def __init__(self, config: WithTls, server_state: ServerState, app_state: dict[str, Any], _loop: asyncio.AbstractEventLoop | None = None) -> None:
        self.then = self.wire(config, server_state, app_state, _loop)
        self.then.app = _in_pieces(self.then.app)
        self.tls, self.loop = config.tls, self.then.loop
        self.guests = cast(set[Guest], server_state.connections)
        self.looks = 0

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """The socket is taken out of its transport, which might read the greeting before a handshake were begun on it."""
        try:
            taken = socket.socket(fileno=os.dup(transport.get_extra_info("socket").fileno()))
        finally:
            cast(asyncio.Transport, transport).abort()
        self.making = self.loop.create_task(self._make(taken))
        self.moved_at = self.loop.time()
        self.guests.add(self)
        self.looking = self.loop.call_later(self.wire.look_every, self._look)
        if len(self.guests) > self.wire.most:
            make_room(self, self.guests)

    def keeps_waiting(self) -> bool:
        return True

    def cut_off(self) -> None:
        self.guests.discard(self)
        self.making.cancel()

    shutdown = cut_off  # as the server calls it when it ends

    async def _make(self, taken: socket.socket) -> None:
        try:
            await self.loop.connect_accepted_socket(
                lambda: self.then, taken, ssl=self.tls, ssl_handshake_timeout=_LONGER_THAN_LOOKS, ssl_shutdown_timeout=_LONGER_THAN_LOOKS
            )
        except OSError:
            pass  # what came is no handshake, or nothing more does
        finally:
            self.looking.cancel()
            self.guests.discard(self)

    def _look(self) -> None:
        """In looks, as for a head."""
        self.looks += 1
        self.looking = self.loop.call_later(self.wire.look_every, self._look)
        if self.looks >= self.wire.head_looks:
            self.cut_off()


def _in_pieces(app: ASGIApp) -> ASGIApp:
    """What is written at once goes to where nobody sees how much of it was taken: a slow line would be cut off in the middle of its answer."""

    async def in_pieces(scope: Scope, receive: Receive, send: Send) -> None:
        async def send_in_pieces(message: Message) -> None:
            body: bytes = message.get("body", b"")
            if len(body) <= _PIECE:
                return await send(message)
            for begin in range(0, len(body), _PIECE):
                more = message.get("more_body", False) or begin + _PIECE < len(body)
                await send({"type": message["type"], "body": body[begin : begin + _PIECE], "more_body": more})

        await app(scope, receive, send_in_pieces)

    return in_pieces
