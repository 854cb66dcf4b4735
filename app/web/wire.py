"""What is taken off the wire before there is a request, and how long a connection may keep the server waiting.

A head has 64 KiB at most, and no fields but those that came before the body. The server's own parser has no limit. It copies what it has of
a line with each piece that comes, so that one stranger's endless line of a hundred megabytes made everyone else wait for up to sixteen
seconds; as many short ones took two gigabytes.

Who connects and says nothing is waited for, but not for ever, and of too many the one that has kept the server waiting longest goes: a
thousand silent connections took all files that a service may have open, and shut everyone out until they left. A body may come slowly, but
not by the byte.
"""

import asyncio
import resource
from collections.abc import Iterable
from typing import Protocol, cast

from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

from app.web.headers import HEADERS

_MOST = 64 << 10  # bytes: as the server's other parser has it (h11)


def _plain(status: str, words: bytes) -> bytes:
    return b"\r\n".join(
        [
            f"HTTP/1.1 {status}".encode(),
            *(f"{name}: {value}".encode() for name, value in HEADERS.items()),
            b"Content-Type: text/plain; charset=utf-8", b"Content-Length: %d" % len(words), b"Connection: close", b"", words,
        ]
    )  # fmt: skip


_TOO_LONG = _plain("431 Request Header Fields Too Large", b"The head of this request is too long.")
_TOO_LATE = _plain("408 Request Timeout", b"The head of this request did not come to its end.")


class Guest(Protocol):
    """A connection among others."""

    moved_at: float

    def keeps_waiting(self) -> bool: ...
    def cut_off(self) -> None: ...


def make_room(newcomer: Guest, guests: Iterable[Guest]) -> None:
    others = [one for one in guests if one is not newcomer and one.keeps_waiting()]
    if others:
        min(others, key=lambda one: one.moved_at).cut_off()


class Wire(HttpToolsProtocol):
    """`most`: connections at once, before one must make room; the other half of the files that may be open are the database's and uploads'."""

    look_every = 5.0  # seconds
    head_looks = 4  # for a whole head, however it comes
    still_looks = 60  # without a byte of a body, or of an answer that is taken: a slow network loses minutes, and the upload goes on
    least_rate = 1000  # bytes a second of a whole body, once it was waited for that long: a mobile phone of thirty years ago brought as many
    most = min(500, resource.getrlimit(resource.RLIMIT_NOFILE)[0] // 2)

    _unread, _in_head = 0, True
    _still, moved_at, _unsent = 0, 0.0, 0  # looks since something moved, when it did, and bytes of the answer that were left
    _awaited, _came = 0, 0  # looks at which more of a body was to come, and what came of it in bytes

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._move()
        self._looking = self.loop.call_later(self.look_every, self._look)
        if len(self.connections) > self.most:
            make_room(self, cast(set[Guest], self.connections))

    def connection_lost(self, exc: Exception | None) -> None:
        self._looking.cancel()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """What comes is counted until a head is whole, or a piece of a body."""
        if not self._in_head:
            self._move()
        if self._unread <= _MOST:
            self._unread += len(data)
            super().data_received(data)
        elif not self.transport.is_closing():
            self.transport.write(_TOO_LONG)
            self.transport.close()

    def on_message_begin(self) -> None:
        self._move()
        super().on_message_begin()

    def on_header(self, name: bytes, value: bytes) -> None:
        """A trailer, which comes after the body, would be taken for a header by whoever asks later: of an address that no proxy told, say."""
        if self._in_head:
            super().on_header(name, value)

    def on_headers_complete(self) -> None:
        self._unread, self._in_head = 0, False
        self._awaited, self._came = 0, 0
        self._move()
        super().on_headers_complete()

    def on_body(self, body: bytes) -> None:
        self._unread = 0
        self._came += len(body)
        super().on_body(body)

    def on_message_complete(self) -> None:
        self._in_head = True  # of the next one
        super().on_message_complete()

    def resume_writing(self) -> None:
        self._move()
        super().resume_writing()

    def _move(self) -> None:
        self._still, self.moved_at = 0, self.loop.time()

    def _look(self) -> None:
        """Counted in looks and not by the clock: a server that was stopped itself for a while takes nobody for late."""
        before, self._unsent = self._unsent, self.transport.get_write_buffer_size()
        if self._unsent < before:
            self._move()
        is_waited_for = self.keeps_waiting()
        self._still = self._still + 1 if is_waited_for else 0
        self._awaited += is_waited_for and not self._in_head
        if self._still >= (self.head_looks if self._in_head and not self._unsent else self.still_looks) or self._trickles():
            self.cut_off()
        self._looking = self.loop.call_later(self.look_every, self._look)

    def keeps_waiting(self) -> bool:
        """Whether it is for the other side to do something: to send the rest of a head or body, or to take what it was answered."""
        is_answered = self.cycle is None or self.cycle.response_complete
        if self.flow.write_paused or (is_answered and self.transport.get_write_buffer_size()):
            return True
        return is_answered if self._in_head else not self.flow.read_paused

    def _trickles(self) -> bool:
        seconds = (self._awaited - self.still_looks) * self.look_every
        return not self._in_head and self._came < self.least_rate * seconds

    def cut_off(self) -> None:
        self.connections.discard(self)  # it is known as gone only later, and many may come until then
        is_busy = self.transport.get_write_buffer_size()
        if self._in_head and self._unread and not is_busy and not self.transport.is_closing():
            self.transport.write(_TOO_LATE)
        if is_busy or self.scheme == "https":
            self.transport.abort()  # to close it politely is to wait until all was taken, or until the end of TLS was answered
        else:
            self.transport.close()
