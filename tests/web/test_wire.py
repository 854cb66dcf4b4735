"""What a stranger may send before there is a request, on a real socket: no endless head, no trailer taken for a header, no wait for blank pairs."""

import socket
import threading
import time
from collections.abc import Iterator

import pytest
import uvicorn
from people.signing_in import client
from starlette.types import Receive, Scope, Send
from typer.testing import CliRunner

from app.cli import shell
from app.db import House
from app.web.blank_pairs import NoBlankPairs
from app.web.wire import Wire

MB = 1 << 20
HEAD = b"GET / HTTP/1.1\r\nHost: here\r\n"
CHUNKED = b"POST / HTTP/1.1\r\nHost: here\r\nTransfer-Encoding: chunked\r\n\r\n"


async def told(scope: Scope, receive: Receive, send: Send) -> None:
    """Answers with the names of the headers that it was given, and the size of the body."""
    size, more = 0, True
    while more:
        message = await receive()
        size, more = size + len(message.get("body", b"")), message.get("more_body", False)
    names = b" ".join(name for name, _ in scope["headers"])
    await send({"type": "http.response.start", "status": 200, "headers": [(b"connection", b"close")]})
    await send({"type": "http.response.body", "body": b"%s; %d bytes" % (names, size)})


@pytest.fixture
def door() -> Iterator[socket.socket]:
    """A connection to a server that stands on `Wire`."""
    with socket.socket() as here:
        here.bind(("127.0.0.1", 0))
        server = uvicorn.Server(uvicorn.Config(told, http=Wire, lifespan="off", log_config=None))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [here]}, daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.01)
        with socket.create_connection(here.getsockname(), timeout=20) as connection:
            yield connection
        server.should_exit = True
        thread.join(timeout=10)


def sent(door: socket.socket, begin: bytes, piece: bytes, pieces: int) -> bytes:
    """What was answered to a beginning and so many pieces, or to as many as were taken."""
    try:
        door.sendall(begin)
        for _ in range(pieces):
            door.sendall(piece)
    except OSError:
        pass  # it was cut off
    answer = b""
    try:
        while more := door.recv(MB):
            answer += more
    except TimeoutError:
        return b"it waits for more"
    except OSError:
        pass  # what was on the way was thrown away with the connection
    return answer


@pytest.mark.parametrize(("begin", "piece"), [
    (b"GET /", b"x" * MB), (HEAD + b"A: ", b"x" * MB), (HEAD, b"x" * MB), (HEAD, b"a: b\r\n" * (MB // 6)),
    (CHUNKED + b"1\r\na\r\n0\r\n", b"a: b\r\n" * (MB // 6)), (CHUNKED + b"1;", b"x" * MB),
], ids=["address", "value", "name", "headers", "trailers", "extension of a chunk"])  # fmt: skip
def test_an_endless_head_is_cut_off(door: socket.socket, begin: bytes, piece: bytes) -> None:
    door.settimeout(3)
    answer = sent(door, begin, piece, 8)
    assert answer == b"" or (answer.startswith(b"HTTP/1.1 431 ") and b"Content-Security-Policy" in answer and b"x" * 100 not in answer)


def test_a_head_of_64_kb_and_a_body_of_any_size_are_taken(door: socket.socket) -> None:
    head = HEAD.replace(b"GET", b"POST") + b"A: " + b"x" * 60_000 + b"\r\nContent-Length: %d\r\n\r\n" % (8 * MB)
    assert sent(door, head, b"y" * MB, 8).count(b"host a content-length; %d bytes" % (8 * MB)) == 1


def test_a_body_in_small_pieces_is_taken(door: socket.socket) -> None:
    body = b"1\r\ny\r\n" * 100_000 + b"0\r\n\r\n"
    assert sent(door, CHUNKED, body, 1).count(b"; 100000 bytes") == 1


def test_a_trailer_is_no_header(door: socket.socket) -> None:
    """A proxy tells whose address it is in a header, and may let a trailer through."""
    answer = sent(door, CHUNKED + b"1\r\ny\r\n0\r\nX-Forwarded-For: 10.0.0.1\r\n\r\n", b"", 0)
    assert b"\r\nhost transfer-encoding; 1 bytes\r\n" in answer, answer


def test_the_command_serves_on_it(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in (("DATA_DIR", house.data_dir), ("DATABASE_URL", house.settings.url)):
        monkeypatch.setenv(f"REELROOT_{name}", str(value))
    served: list[object] = []
    monkeypatch.setattr("app.shell.serving._Server.run", lambda server: served.append(server.config.http))
    assert CliRunner().invoke(shell, ["serve"]).exit_code == 0
    assert served == [Wire]


def test_a_form_of_blank_pairs_is_read_as_none(house: House) -> None:
    with client(house) as browser:
        form = {"content-type": "application/x-www-form-urlencoded", "origin": "http://testserver"}
        for blank in (b"&" * (MB - 99), b"&&&&badge=x&&&&secret=y&&"):
            assert browser.post("/sign-in", content=blank, headers=form).status_code in (403, 422)


def test_blank_pairs_do_not_reach_who_reads_a_form() -> None:
    read: list[bytes] = []

    async def reader(scope: Scope, receive: Receive, send: Send) -> None:
        read.append((await receive())["body"])

    async def sender() -> dict[str, object]:
        return {"type": "http.request", "body": b"&&a=1&&&&b=%26%26&&"}

    async def nobody(message: object) -> None:
        raise AssertionError(message)

    for kind in (b"Application/X-WWW-Form-Urlencoded; charset=utf-8", b"application/octet-stream"):
        step = NoBlankPairs(reader)({"type": "http", "headers": [(b"content-type", kind)]}, sender, nobody)
        with pytest.raises(StopIteration):
            step.__await__().__next__()
    assert read == [b"&a=1&b=%26%26&", b"&&a=1&&&&b=%26%26&&"]
