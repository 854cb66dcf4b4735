"""The server of the pages and the API. It says that it serves once it does: another may have its port."""

from collections.abc import Callable
from pathlib import Path
from socket import socket
from typing import TYPE_CHECKING

import uvicorn

from app.errors import refuse
from app.web.handshakes import Handshake, WithTls
from app.web.wire import Wire

if TYPE_CHECKING:
    from fastapi import FastAPI


def run(app: "FastAPI", host: str, port: int, certificate: Path | None, key: Path | None, say: Callable[[], None]) -> None:
    """Until it is stopped. `say` is called when it answers."""
    # no access log: it halves the rate of small answers; open event streams must not hold a shutdown up
    kind, http = (WithTls, Handshake) if certificate else (uvicorn.Config, Wire)
    config = kind(
        app, host=host, port=port, http=http, ws="none", access_log=False, timeout_graceful_shutdown=1, log_level="warning",
        ssl_certfile=certificate, ssl_keyfile=key,
    )  # fmt: skip
    server = _Server(config, say)
    try:
        server.run()
    except KeyboardInterrupt:
        pass
    except SystemExit:  # it has said why, by its own log
        if not server.started:
            why = f"{host} port {port} can't be had: another program has it, or it is no address of this machine."
            raise refuse("changed", "The server does not serve.", why, "Stop the other, or name another by --host and --port.") from None
        raise


class _Server(uvicorn.Server):
    def __init__(self, config: uvicorn.Config, say: Callable[[], None]) -> None:
        super().__init__(config)
        self.say = say

    async def startup(self, sockets: list[socket] | None = None) -> None:
        await super().startup(sockets)
        self.say()
