"""Reelroot: what happened to every unit from wafer to reel. The rooms and their order stand in DEVELOPERS.md."""

from app.garbage import look_seldom

look_seldom()  # before the rooms load: they make half a million objects, and no garbage
