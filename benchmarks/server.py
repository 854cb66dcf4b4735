"""The program's server with one bare endpoint more: it asks the same sign-in and the same form, writes one row, and shows a page.

    python -m benchmarks.server DATA_FOLDER PORT [DATABASE_URL]
"""

import os
import re
import secrets
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.client import HTTPConnection
from pathlib import Path
from typing import Any

import uvicorn
from fastapi import APIRouter, Depends, FastAPI, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import insert

from app import clock
from app.db import House
from app.journal.models import Request as Kept
from app.main import make_app
from app.people.callers import SESSION_COOKIE, Calling, form_is_ours
from app.people.doors import DOORS, EVERYONE
from app.settings import Settings
from app.web.installation import house_of
from benchmarks.measuring import once
from benchmarks.quick import QuickSettings

bare = APIRouter(dependencies=[Depends(form_is_ours)], include_in_schema=False)


@bare.post("/bare")
def write_one_row(request: Request, who: Calling) -> Response:
    with house_of(request).writing() as session:
        row = {"actor": "bare", "key": secrets.token_urlsafe(12), "content": b"", "refused": False, "made_at": clock.now()}
        session.execute(insert(Kept).values(row))
    return RedirectResponse("/bare", status_code=303)


@bare.get("/bare")
def page(request: Request, who: Calling) -> Response:
    return HTMLResponse(f"<!doctype html><title>Written</title><p>{who.actor.name}: written.")


def app_of(settings: Settings) -> FastAPI:
    DOORS.update(dict.fromkeys(("POST /bare", "GET /bare"), EVERYONE))  # in this process: the bare page passes the same door
    app = make_app(settings, House(settings))
    app.include_router(bare)
    return app


class Client:
    """One browser or machine on a connection that stays open."""

    def __init__(self, port: int, *, session: str = "", token: str = "") -> None:
        self.connection = HTTPConnection("127.0.0.1", port, timeout=300)
        self.host = f"http://127.0.0.1:{port}"
        self.headers = {"Cookie": f"{SESSION_COOKIE}={session}", "Origin": self.host} if session else {"Authorization": f"Bearer {token}"}

    def get(self, path: str) -> tuple[int, bytes]:
        self.connection.request("GET", path, headers=self.headers)
        answer = self.connection.getresponse()
        return answer.status, answer.read()

    def post(self, path: str, form: str) -> str:
        """Where the answer leads; the act is done when it does."""
        self.connection.request("POST", path, form, self.headers | {"Content-Type": "application/x-www-form-urlencoded"})
        answer = self.connection.getresponse()
        body = answer.read()
        if answer.status != 303:
            words = re.sub(r"<[^>]*>|\s+", " ", body.decode(errors="replace").partition("<main")[2])
            raise RuntimeError(f"{path} answered {answer.status}: {words[:600]}")
        return answer.headers["Location"]


@contextmanager
def serving(house: House, port: int) -> Iterator[int]:
    """A server of its own process, until the block ends."""
    url = [] if house.kind == "sqlite" else [house.settings.url]
    with running([sys.executable, "-m", "benchmarks.server", str(house.data_dir), str(port), *url], port):
        yield port


@contextmanager
def running(command: list[str], port: int) -> Iterator[float]:
    """Milliseconds from the command to the first answered page; the process ends with the block.

    The first leaves its modules compiled, as an installed program has them, also where Python was told to write none.
    """
    at_root = str(Path(__file__).resolve().parent.parent)
    env = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    server = subprocess.Popen(command, cwd=at_root, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        taken, _ = once(lambda: _first_answer(server, port))
        yield taken
    finally:
        server.terminate()
        server.wait(30)


def _first_answer(server: "subprocess.Popen[bytes]", port: int) -> Any:
    while server.poll() is None:
        try:
            connection = HTTPConnection("127.0.0.1", port, timeout=60)
            path = "/"
            while True:  # to a page that is one: the first leads to the sign-in
                connection.request("GET", path)
                answer = connection.getresponse()
                body = answer.read()
                if answer.status != 303:
                    return body
                path = answer.headers["Location"]
        except ConnectionRefusedError:
            time.sleep(0.005)
    raise RuntimeError(f"the server ended with {server.returncode}")


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


if __name__ == "__main__":
    where, at, *database = sys.argv[1:]
    chosen = QuickSettings(data_dir=Path(where), database_url=database[0] if database else "")
    uvicorn.run(
        app_of(chosen), host="127.0.0.1", port=int(at), access_log=False, log_level="warning", timeout_graceful_shutdown=1,
        timeout_keep_alive=300,  # a connection stays open while the yardstick takes its time
    )  # fmt: skip
