"""What follows from a route by itself: where its units leave their cells, what loose units do of it, what a step asks before it starts. Pure."""

from app.catalogue.definitions import Route, Step, Window


def mixing_step(route: Route) -> int | None:
    """Index of the step at which units leave their cells: singulation, or outside work where there is none."""
    for operation in ("singulate", "outside work"):
        for i, step in enumerate(route.steps):
            if step.operation == operation:
                return i
    return None


def mixing_key(route: Route) -> str:
    """The key of that step; empty where units stay on their panels."""
    at = mixing_step(route)
    return "" if at is None else route.steps[at].key


def loose_begins(route: Route) -> int:
    """Index of the first step that loose units do, the one after they mixed; past the last step where they never do."""
    at = mixing_step(route)
    return len(route.steps) if at is None else at + 1


def panel_steps(route: Route) -> tuple[Step, ...]:
    """Those that are done while units are in their cells."""
    return route.steps[: loose_begins(route)]


def windows_of_loose(route: Route) -> tuple[Window, ...]:
    """Time windows that begin at a step of panels and end at one of loose units: nothing watches them on the panels."""
    before = {step.key for step in panel_steps(route)}
    return tuple(window for window in route.windows if window.from_step in before and window.to_step not in before)


def steps_of_lot(route: Route, form: str) -> tuple[Step, ...]:
    """Those that a lot does: of a panel lot all, of a loose one what comes after its units mixed. Of a pack: its bag."""
    if form == "pack":
        return tuple(step for step in route.steps if step.operation == "dry pack")
    return route.steps[loose_begins(route) if form == "loose" else 0 :]


def asks_line_clear(step: Step) -> bool:
    """A tester or taper may keep units of the lot before, which would go on in this one: somebody looks first."""
    return step.operation in ("test", "tape")
