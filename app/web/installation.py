"""What a request knows of the installation that it came to."""

from datetime import datetime
from typing import cast

from fastapi import Request

from app import clock
from app.db import House


def house_of(request: Request) -> House:
    return cast(House, request.app.state.house)


def zone_of(request: Request) -> str:
    return cast(str, getattr(request.app.state, "zone", "UTC"))


def when(request: Request, moment: datetime | None) -> str:
    """A time in the site's zone, with the zone said."""
    return clock.told(moment, zone_of(request)) if moment else ""
