"""Whose word for a caller's address and scheme is taken, on real sockets and by what `reelroot serve` sets: a proxy's on this machine, no other's."""

import socket
import threading
import time
from collections.abc import Iterator
from typing import Any

import httpx
import pytest
import uvicorn
from starlette.types import Receive, Scope, Send

from app.shell import serving

PROXY, STRANGER = "127.0.0.1", "127.0.0.2"
CALLER = "10.0.0.7"


async def told(scope: Scope, receive: Receive, send: Send) -> None:
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": f"{scope['client'][0]} {scope['scheme']}".encode()})


@pytest.fixture
def port(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    made: list[Any] = []
    monkeypatch.setattr(serving._Server, "run", lambda server: made.append(server))
    serving.run(told, PROXY, 1, None, None, lambda: None)  # type: ignore[arg-type]
    with socket.socket() as here:
        here.bind(("127.0.0.1", 0))
        server = uvicorn.Server(made[0].config)
        server.config.lifespan = "off"
        thread = threading.Thread(target=server.run, kwargs={"sockets": [here]}, daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.01)
        yield here.getsockname()[1]
        server.should_exit = True
        thread.join(timeout=10)


def asked(port: int, by: str, *forwarded: str) -> str:
    headers = [("X-Forwarded-Proto", "https"), *(("X-Forwarded-For", one) for one in forwarded)]
    with httpx.Client(transport=httpx.HTTPTransport(local_address=by)) as client:
        return client.get(f"http://127.0.0.1:{port}/", headers=headers).text


def test_a_proxy_of_this_machine_says_who_asked_and_how(port: int) -> None:
    assert asked(port, PROXY, CALLER) == f"{CALLER} https"


def test_a_caller_who_says_to_be_another_is_taken_for_what_the_proxy_saw(port: int) -> None:
    assert asked(port, PROXY, f"9.9.9.9, {CALLER}") == f"{CALLER} https"
    assert asked(port, PROXY, "9.9.9.9", CALLER) == f"{CALLER} https"


def test_who_is_no_proxy_says_nothing_of_themselves(port: int) -> None:
    assert asked(port, STRANGER, CALLER) == f"{STRANGER} http"
