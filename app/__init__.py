"""Reelroot: what happened to every unit from wafer to reel. The rooms and their order stand in DEVELOPERS.md."""

from app.garbage import look_later

look_later()
