"""HTTPS of the server's own, on real sockets: who begins no handshake, or ends none, or ends no connection, shuts nobody out."""

import socket
import ssl
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from web.slow import BODY, GET, LARGE, STILL_ENDS, Impatient, Plant, all_of, connected, served

from app.shell import serving
from app.web.handshakes import Handshake

ANYONE = ssl._create_unverified_context()
NO_TLS = b"\x15\x03\x01\x00\x02\x02\x46"  # an alert: protocol version
CLOSING = GET.replace(b"\r\n\r\n", b"\r\nConnection: close\r\n\r\n")


class Impatiently(Handshake):
    wire = Impatient


@pytest.fixture(params=["uvloop", "asyncio"])
def address(request: pytest.FixtureRequest, certified: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[str, int]]:
    """By what `reelroot serve` sets, but for its patience."""
    made: list[Any] = []
    monkeypatch.setattr(serving._Server, "run", lambda server: made.append(server.config))
    monkeypatch.setattr(serving, "Handshake", Impatiently)
    serving.run(Plant(), "127.0.0.1", 1, *certified, lambda: None)  # type: ignore[arg-type]
    made[0].lifespan, made[0].loop = "off", request.param
    with served(made[0]) as there:
        yield there


class Speaker:
    """One that speaks TLS by hand: it sends what it is told to, and takes no leave."""

    def __init__(self, through: socket.socket) -> None:
        self.through = through
        self.told, self.to_say = ssl.MemoryBIO(), ssl.MemoryBIO()
        self.speech = ANYONE.wrap_bio(self.told, self.to_say)

    def greet(self) -> None:
        with pytest.raises(ssl.SSLWantReadError):
            self.speech.do_handshake()
        self.through.sendall(self.to_say.read())

    def end_handshake(self, and_say: bytes = b"") -> None:
        while True:
            heard = self.through.recv(1 << 16)
            assert heard, "cut off"
            self.told.write(heard)
            try:
                self.speech.do_handshake()
                break
            except ssl.SSLWantReadError:
                pass
        if and_say:
            self.speech.write(and_say)
        self.through.sendall(self.to_say.read())


def answered(address: tuple[str, int], question: bytes) -> bytes:
    with connected(address) as one, ANYONE.wrap_socket(one) as safe:
        safe.sendall(question)
        return all_of(safe)


def is_open(connection: socket.socket) -> bool:
    connection.setblocking(False)
    try:
        while connection.recv(1 << 16):
            pass
    except BlockingIOError:
        return True
    except ConnectionError:
        pass
    return False


@pytest.mark.parametrize("begin", [b"", b"\x16\x03", GET], ids=["nothing", "a piece of a greeting", "no handshake at all"])
def test_who_ends_no_handshake_is_closed(address: tuple[str, int], begin: bytes) -> None:
    with connected(address) as one:
        one.sendall(begin)
        assert all_of(one) in (b"", NO_TLS)


@pytest.mark.parametrize("begin", ["silence", "half a handshake", "silence after it", "an answer whose end is not answered"])
def test_of_too_many_the_oldest_make_room(address: tuple[str, int], begin: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Impatient, "head_looks", 10_000)
    with ExitStack() as kept:
        others: list[socket.socket] = []
        for _ in range(2 * Impatient.most):
            others.append(kept.enter_context(connected(address)))
            one = Speaker(others[-1])
            if begin != "silence":
                one.greet()
            if begin not in ("silence", "half a handshake"):
                one.end_handshake(b"" if begin == "silence after it" else CLOSING)
            assert b"0 bytes" in answered(address, CLOSING), "shut out"
        assert sum(map(is_open, others)) <= Impatient.most


def test_what_comes_with_the_end_of_the_handshake_is_answered(address: tuple[str, int]) -> None:
    with connected(address) as one:
        speaker = Speaker(one)
        speaker.greet()
        speaker.end_handshake(CLOSING)
        speaker.told.write(all_of(one))
    assert b"0 bytes" in speaker.speech.read(1 << 16) + speaker.speech.read(1 << 16)


def test_a_late_head_is_told_so_and_large_bodies_pass(address: tuple[str, int]) -> None:
    assert b"HTTP/1.1 408 " in answered(address, b"GET / HTTP/1.1\r\nX: ")
    large = BODY.replace(b"20", b"%d" % LARGE).replace(b"\r\n\r\n", b"\r\nConnection: close\r\n\r\n") + b"y" * LARGE
    assert b"%d bytes" % LARGE in answered(address, large)


def test_an_answer_that_is_taken_slowly_arrives_whole(address: tuple[str, int]) -> None:
    with connected(address) as one, ANYONE.wrap_socket(one) as safe:
        safe.sendall(CLOSING.replace(b"/", b"/large", 1))
        size, began = 0, time.monotonic()
        while piece := safe.recv(1 << 16):
            size += len(piece)
            time.sleep(STILL_ENDS * 3 * len(piece) / LARGE)
    assert size > LARGE and time.monotonic() - began > STILL_ENDS * 2
