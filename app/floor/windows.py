"""Time windows: the longest and shortest time for a panel between two steps. Pure rules over what was done."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from app.catalogue.definitions import Route, Window
from app.floor.progress import Progress


@dataclass(frozen=True)
class WindowState:
    """A window that is running for a thing: since when, and when it ends (None: no longest time)."""

    window: Window
    since: datetime
    ends_at: datetime | None
    begins_at: datetime | None  # not before this
    may_repeat: bool  # the first step can be done again: loose units don't go back to one of panels, nor packs to the taper
    repeats_left: int

    def over(self, at: datetime) -> bool:
        return self.ends_at is not None and at > self.ends_at

    def early(self, at: datetime) -> bool:
        return self.begins_at is not None and at < self.begins_at


def windows_into(route: Route, stand: Progress, step: str, until: str = "start") -> list[WindowState]:
    """The windows of `route` that lead into `step`, for one panel or loose lot."""
    return [state for window in route.windows if window.to_step == step and window.until == until if (state := _state(window, stand))]


def running(route: Route, stand: Progress) -> list[WindowState]:
    """The windows whose first step is done and whose second is not."""
    done = {doing.step for doing in stand.doings} | (stand.ways.before if stand.ways else frozenset())
    return [state for window in route.windows if window.to_step not in done if (state := _state(window, stand))]


def may_repeat(route: Route, stand: Progress, step: str, at: datetime) -> tuple[bool, bool]:
    """(a window that `step` begins is over, so it may be done again; and there are repeats left)."""
    over = [state for state in running(route, stand) if state.window.from_step == step and state.may_repeat and state.over(at)]
    return bool(over), all(state.repeats_left > 0 for state in over)


def _state(window: Window, stand: Progress) -> WindowState | None:
    """The longest time runs out first for the part that waits longest; the shortest has passed for all with the part that came last."""
    ended = [doing.ended_at for doing in stand.lasts(window.from_step)]
    if not ended:
        return None
    times = stand.times(window.from_step)
    return WindowState(
        window,
        min(ended),
        min(ended) + timedelta(minutes=window.max_minutes) if window.max_minutes is not None else None,
        max(ended) + timedelta(minutes=window.min_minutes) if window.min_minutes is not None else None,
        times > 0,
        window.repeats - (times - 1),
    )
