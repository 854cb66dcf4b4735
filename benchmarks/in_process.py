"""The app asked in this very thread: no socket, no client library, no thread of its own for each handler. What it runs of `app` is the same."""

import asyncio
from collections.abc import Coroutine, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import unquote_to_bytes, urlencode

import anyio.to_thread
from fastapi import FastAPI

_BOUNDARY = "a-boundary-that-no-input-holds"


@dataclass(frozen=True)
class Answer:
    status: int
    headers: dict[str, str]
    body: bytes


@dataclass(frozen=True)
class Wire:
    """One caller: `headers` go with everything that it asks."""

    app: FastAPI
    headers: Mapping[str, str]
    loop: asyncio.AbstractEventLoop = field(default_factory=asyncio.new_event_loop)

    def ask(self, method: str, path: str, query: Any = (), body: bytes = b"", kind: str = "", **more: str) -> Answer:
        """`path` as it goes over the wire, with its percent signs."""
        headers = {"host": "testserver", **self.headers, **more} | ({"content-type": kind, "content-length": str(len(body))} if body or kind else {})
        scope = {
            "type": "http", "asgi": {"version": "3.0", "spec_version": "2.4"}, "http_version": "1.1", "method": method, "scheme": "http",
            "root_path": "", "path": unquote_to_bytes(path).decode("utf-8", "replace"), "raw_path": path.encode(),
            "query_string": urlencode(query).encode(),
            "headers": [(name.lower().encode("latin-1"), value.encode("latin-1", "replace")) for name, value in headers.items()],
            "client": ("127.0.0.1", 50000), "server": ("testserver", 80), "state": {},
        }  # fmt: skip
        sent: list[dict[str, Any]] = []

        asked: list[bytes] = [body]

        async def receive() -> dict[str, Any]:
            if not asked:
                await self.loop.create_future()  # nobody hangs up
            return {"type": "http.request", "body": asked.pop(), "more_body": False}

        async def send(message: dict[str, Any]) -> None:
            sent.append(message)

        async def go() -> None:
            try:
                await self.app(scope, receive, send)  # type: ignore[arg-type]
            except Exception:  # a mistake is raised again once it was answered, for the server's log
                if not sent:
                    raise

        _until_done(self.loop, go())
        return Answer(
            sent[0]["status"],
            {name.decode("latin-1"): value.decode("latin-1") for name, value in sent[0]["headers"]},
            b"".join(message.get("body", b"") for message in sent[1:]),
        )


def _until_done(loop: asyncio.AbstractEventLoop, work: Coroutine[Any, Any, None]) -> None:
    """In this thread, unless it has a loop that runs: a browser's driver leaves one in the tests."""
    try:
        asyncio.get_running_loop()
    except RuntimeError:
        loop.run_until_complete(work)
    else:
        with ThreadPoolExecutor(1) as another:
            another.submit(loop.run_until_complete, work).result()


def form_of(fields: Mapping[str, str], files: Any = ()) -> tuple[bytes, str]:
    """A body and its content type, as a browser sends a form; `files`: name, file name, content."""
    if not files:
        return urlencode(fields).encode(), "application/x-www-form-urlencoded"
    parts = [(f'name="{name}"', value.encode()) for name, value in fields.items()]
    parts += [(f'name="{name}"; filename="{called}"', content) for name, called, content in files]
    body = b"".join(b"--%s\r\nContent-Disposition: form-data; %s\r\n\r\n%s\r\n" % (_BOUNDARY.encode(), head.encode(), data) for head, data in parts)
    return body + f"--{_BOUNDARY}--\r\n".encode(), f"multipart/form-data; boundary={_BOUNDARY}"


@contextmanager
def no_threads() -> Iterator[None]:
    """Handlers run where they are called: one input at a time has nobody to wait for, and to change threads takes longer than most answers."""
    kept = anyio.to_thread.run_sync

    async def here(work: Any, *arguments: Any, **_: Any) -> Any:
        return work(*arguments)

    anyio.to_thread.run_sync = here
    try:
        yield
    finally:
        anyio.to_thread.run_sync = kept
