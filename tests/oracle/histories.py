"""Random lawful histories: `histories()` for Hypothesis, `random_history(seed)` for long runs. Both are pure functions of their choices.

A history goes through three parts of the factory (cells, loose units, packs) with chosen acts in each, and is pushed on to packs in
between, so that nearly every one ends with packs. A `Profile` says what may occur; a driver turns off what its program can't do yet.
"""

from random import Random

from hypothesis import strategies as st

from tests.oracle.actions import History, Setting, StepSpec
from tests.oracle.acts import CELL_ACTS, LOOSE_ACTS, PACK_ACTS, Acts
from tests.oracle.factory import Factory
from tests.oracle.player import Choices, Profile

SIZES = ((2, 2), (1, 4), (2, 3), (2, 4), (3, 4))
BINS = (("A", "prime"), ("B", "prime"), ("R", "reject"), ("S", "second"))


class _Seeded:
    def __init__(self, seed: int) -> None:
        self.random = Random(seed)

    def below(self, n: int) -> int:
        return self.random.randrange(n)


class _Drawn:
    def __init__(self, draw: st.DrawFn) -> None:
        self.draw = draw

    def below(self, n: int) -> int:
        return self.draw(st.integers(0, n - 1)) if n > 1 else 0


@st.composite
def histories(draw: st.DrawFn, profile: Profile = Profile()) -> History:  # noqa: B008  a frozen dataclass
    return play(_Drawn(draw), profile).history()


def random_history(seed: int, profile: Profile = Profile()) -> History:  # noqa: B008  a frozen dataclass
    return play(_Seeded(seed), profile).history()


def random_factory(seed: int, profile: Profile = Profile()) -> Factory:  # noqa: B008  a frozen dataclass
    """The factory after `random_history(seed)`: ask it what is true, possible and stopped."""
    return play(_Seeded(seed), profile)


def play(choices: Choices, profile: Profile) -> Factory:
    setting, bad_dies = _setting(choices, profile)
    factory = Factory(setting, choices.below(1 << 16), bad_dies)
    player = Acts(factory, choices, profile)
    _receive(player)
    _acts(player, CELL_ACTS, profile.cell_acts)
    _push_cells(player)
    _acts(player, LOOSE_ACTS, profile.loose_acts)
    _push_loose(player)
    _acts(player, PACK_ACTS, profile.pack_acts)
    for pack in [pack.name for pack in factory.packs.values() if not pack.closed]:
        factory.close_pack(pack)
    return factory


def _setting(choices: Choices, profile: Profile) -> tuple[Setting, float]:
    rows, columns = SIZES[choices.below(len(SIZES))]
    roles = ("driver", "red")[: 1 + choices.below(2)]
    route: list[StepSpec] = []
    for role in roles:
        route.append(StepSpec(f"attach-{role}", "die attach", role, ("adhesive",)))
        route += [StepSpec(f"cure-{role}", "cure")] if choices.below(2) == 0 else []
    route += [StepSpec("bond", "wire bond", None, ("wire",))] if choices.below(3) == 1 else []
    route += [StepSpec("encapsulate", "encapsulate", None, ("encapsulant",)), StepSpec("post-cure", "cure")] if choices.below(3) == 1 else []
    route.append(StepSpec("singulate", "singulate"))
    route += [StepSpec("clean", "clean")] if choices.below(2) == 1 else []
    route += [StepSpec("test", "test"), StepSpec("tape", "tape", None, ("carrier tape",))]
    route += [StepSpec("dry-pack", "dry pack", None, ("bag",))] if choices.below(2) == 1 else []
    keys = [step.key for step in route]
    judged = choices.below(2) == 1 if profile.judged_logs is None else profile.judged_logs
    back = profile.off_tape or ("first", "tape")[choices.below(2)]
    setting = Setting(
        rows=rows, columns=columns, roles=roles, route=tuple(route), bins=BINS, stations=_stations({step.operation for step in route}),
        shelves=("1", "2"), pack_size=(8, 5, 12, 20)[choices.below(4)], judged_logs=judged,
        off_tape="tape" if back == "tape" else keys[keys.index("singulate") + 1],
    )  # fmt: skip
    return setting, 0.08 if judged and "bad_dies" not in profile.without and choices.below(2) == 1 else 0.0


def _stations(operations: set[str]) -> tuple[tuple[str, str], ...]:
    """Two for each operation: several runs are open at a time."""
    return tuple((f"{operation.replace(' ', '-')}-{n}", operation) for operation in sorted(operations) for n in (1, 2))


def _receive(player: Acts) -> None:
    """Frames, panels and lots. Wafers and batches come as they are needed."""
    frames = [player.factory.receive_batch("lead frame")]
    for _ in range(player.between(1, player.profile.lots)):
        if player.rarely():
            frames.append(player.factory.receive_batch("lead frame"))
        panels = player.factory.receive_panels(player.between(2, player.profile.panels), frames[-1])
        player.factory.start_lot(panels)


def _acts(player: Acts, acts: tuple[tuple[str, int], ...], most: int) -> None:
    allowed = [name for name, weight in acts for _ in range(weight) if player.may(name)]
    for _ in range(player.between(0, most)):
        name = player.pick(allowed)
        getattr(player, name)()


def _push_cells(player: Acts) -> None:
    """All panels that nothing stops become loose."""
    for run in [run for run in player.open_runs() if run.is_over_panels]:
        player._finish(run)
    for _ in range(100):
        if not player.advance(whole=True):
            return


def _push_loose(player: Acts) -> None:
    """All loose lots that nothing stops are tested, and packs are filled, so that there is something to act upon."""
    for _ in range(12):
        if not player.work_loose():
            break
    for _ in range(3):
        player.fill()
