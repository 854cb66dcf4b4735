"""What is taken off the wire before there is a request: a head of 64 KiB at most, and no fields of it but those that came before the body.

The server's own parser has no limit. It copies what it has of a line with each piece that comes, so that one stranger's endless line of a
hundred megabytes made everyone else wait for up to sixteen seconds; as many short ones took two gigabytes.
"""

from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

from app.web.headers import HEADERS

_MOST = 64 << 10  # bytes: as the server's other parser has it (h11)
_TOO_LONG = b"The head of this request is too long."
_ANSWER = b"\r\n".join(
    [
        b"HTTP/1.1 431 Request Header Fields Too Large",
        *(f"{name}: {value}".encode() for name, value in HEADERS.items()),
        b"Content-Type: text/plain; charset=utf-8", b"Content-Length: %d" % len(_TOO_LONG), b"Connection: close", b"", _TOO_LONG,
    ]
)  # fmt: skip


class Wire(HttpToolsProtocol):
    _unread, _in_head = 0, False

    def data_received(self, data: bytes) -> None:
        """What comes is counted until a head is whole, or a piece of a body."""
        if self._unread <= _MOST:
            self._unread += len(data)
            super().data_received(data)
        elif not self.transport.is_closing():
            self.transport.write(_ANSWER)
            self.transport.close()

    def on_message_begin(self) -> None:
        self._in_head = True
        super().on_message_begin()

    def on_header(self, name: bytes, value: bytes) -> None:
        """A trailer, which comes after the body, would be taken for a header by whoever asks later: of an address that no proxy told, say."""
        if self._in_head:
            super().on_header(name, value)

    def on_headers_complete(self) -> None:
        self._unread, self._in_head = 0, False
        super().on_headers_complete()

    def on_body(self, body: bytes) -> None:
        self._unread = 0
        super().on_body(body)
