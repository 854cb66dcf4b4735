"""Who keeps the server waiting, on real sockets: heads and bodies that never end, answers that nobody takes, silence in great numbers."""

import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack

import pytest
import uvicorn
from web.slow import BODY, GET, LARGE, LOOK, STILL_ENDS, Impatient, Plant, all_of, connected, served


@pytest.fixture
def plant() -> Plant:
    return Plant()


@pytest.fixture
def address(plant: Plant) -> Iterator[tuple[str, int]]:
    with served(uvicorn.Config(plant, http=Impatient, lifespan="off", log_config=None, timeout_keep_alive=60)) as there:
        yield there


def trickled(connection: socket.socket, content: bytes, every: float) -> None:
    try:
        for n in range(len(content)):
            connection.sendall(content[n : n + 1])
            time.sleep(every)
    except OSError:
        pass  # it was cut off


@pytest.mark.parametrize("begin", [b"", b"\r\n", GET, GET + b"\r\n"], ids=["nothing", "a blank line", "after an answer", "blank after an answer"])
def test_who_says_nothing_is_closed(address: tuple[str, int], begin: bytes) -> None:
    with connected(address) as one:
        one.sendall(begin)
        assert all_of(one).count(b"HTTP/1.1 200 ") == (GET in begin)


@pytest.mark.parametrize("begin", [b"", GET], ids=["the first head", "the second"])
def test_a_head_that_comes_by_the_byte_is_answered_that_it_is_late(address: tuple[str, int], begin: bytes) -> None:
    with connected(address) as one:
        one.sendall(begin)
        trickled(one, b"GET / HTTP/1.1\r\nX: " + b"x" * 200, LOOK / 2)
        answer = all_of(one)
    late = answer.removeprefix(answer[: answer.find(b"HTTP/1.1 408 ")])
    assert answer.count(b"HTTP/1.1 200 ") == bool(begin)
    assert late == b"" or b"Content-Security-Policy" in late  # what is on the way may be thrown away with the connection


def test_a_body_that_stops_in_the_middle_is_waited_for_and_then_given_up(address: tuple[str, int], plant: Plant) -> None:
    with connected(address) as one:
        one.sendall(BODY + b"half")
        began = time.monotonic()
        assert all_of(one) == b""
        assert time.monotonic() - began > STILL_ENDS * 0.8
    while not plant.ends:
        time.sleep(LOOK)
    assert plant.ends == ["left"]


def test_a_slow_but_honest_body_is_taken_however_long_it_takes(address: tuple[str, int]) -> None:
    with connected(address) as one:
        one.sendall(BODY)
        trickled(one, b"y" * 20, STILL_ENDS / 10)  # twice as long as it would be waited for without a byte
        assert one.recv(1 << 16).endswith(b"20 bytes")


def test_a_body_that_comes_by_the_byte_is_given_up(address: tuple[str, int], plant: Plant) -> None:
    with connected(address) as one:
        one.sendall(BODY)
        trickled(one, b"y" * 7, STILL_ENDS * 0.7)  # never still for long, but fewer than two bytes a second
        assert plant.ends == ["left"]


def test_an_answer_may_take_the_server_longer_than_it_waits_for_others(address: tuple[str, int]) -> None:
    with connected(address) as one:
        one.sendall(GET.replace(b"/", b"/late", 1))
        assert one.recv(1 << 16).endswith(b"0 bytes")


def test_an_answer_that_nobody_takes_is_given_up(address: tuple[str, int], plant: Plant) -> None:
    with connected(address) as one:
        one.sendall(GET.replace(b"/", b"/large", 1))
        time.sleep(STILL_ENDS * 3)  # looks come late on a busy machine
        assert len(all_of(one)) < LARGE


def test_an_answer_that_is_taken_slowly_arrives_whole(address: tuple[str, int]) -> None:
    with connected(address) as one:
        one.sendall(GET.replace(b"/", b"/large", 1))
        size, began = 0, time.monotonic()
        while size < LARGE:
            size += len(one.recv(LARGE // 30))
            time.sleep(STILL_ENDS / 20)
        assert time.monotonic() - began > STILL_ENDS


@pytest.mark.parametrize("begin", [b"", b"GET / HTTP/1.1\r\nX: ", BODY + b"half"], ids=["silence", "half a head", "half a body"])
def test_of_too_many_those_who_kept_it_waiting_longest_make_room(address: tuple[str, int], begin: bytes) -> None:
    """And neither who sends on nor who is being answered."""
    with ExitStack() as kept:
        slow, asked = kept.enter_context(connected(address)), kept.enter_context(connected(address))
        slow.sendall(BODY.replace(b"20", b"60"))
        asked.sendall(GET.replace(b"/", b"/late", 1))
        others = []
        for _ in range(3 * Impatient.most):
            others.append(kept.enter_context(connected(address)))
            others[-1].sendall(begin)
            slow.sendall(b"y")
            with connected(address) as honest:
                honest.sendall(GET)
                assert honest.recv(1 << 16).endswith(b"0 bytes"), "shut out"
        assert slow.recv(1 << 16).endswith(b"60 bytes")
        assert asked.recv(1 << 16).endswith(b"0 bytes")
