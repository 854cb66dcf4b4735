"""The same questions over the JSON API."""

from collections.abc import Iterable
from typing import Any

from tests.replay.asked import Row, Told
from tests.replay.http_driver import HttpReplay

ITEMS = ("wafers", "batches", "panels", "lots", "samples", "packs")


class OverHttp:
    def __init__(self, replay: HttpReplay) -> None:
        self.replay, self.symbols = replay, replay.symbols()

    def back(self, symbol: str) -> Told:
        return self._told(symbol, "back")

    def forward(self, symbol: str) -> Told:
        return self._told(symbol, "forward")

    def stops(self, symbols: Iterable[str]) -> dict[str, set[str]]:
        found = {symbol: self.replay.get(f"/stops/{self.replay.codes[symbol]}") for symbol in symbols}
        assert all(told["stopped"] == bool(told["holds"]) for told in found.values())
        return {symbol: {self.symbols[hold["hold"]] for hold in told["holds"]} for symbol, told in found.items()}

    def station_stops(self, station: str) -> set[str]:
        return {self.symbols[hold["hold"]] for hold in self.replay.get(f"/stops/{self.replay.stations[station]}")["holds"]}

    def stations(self) -> Iterable[str]:
        return self.replay.stations

    def counts(self, symbol: str) -> tuple[int, ...]:
        code, kind = self.replay.codes[symbol], symbol.split(":")[0]
        if kind == "panel":
            return (self.replay.get(f"/panels/{code}")["good"],)
        if kind == "pack":
            return (self.replay.get(f"/packs/{code}")["units"],)
        counts = self.replay.get(f"/lots/{code}")["counts"]
        assert counts["closes"], f"{symbol} does not close: {counts}"
        names = ("left", "units_in", "units_out", "scrapped", "sampled", "difference")
        return (counts["left"],) if kind == "lot" else tuple(counts[name] for name in names)

    def findings(self) -> list[str]:
        return [f"check: {finding}" for finding in self.replay.get("/check")["findings"]]

    def _told(self, symbol: str, direction: str) -> Told:
        code = self.replay.loads.get(symbol) or self.replay.named(symbol)  # an oven's run is asked for by its load
        found = self.replay.get(f"/trace/{f'line/{code}' if symbol.startswith('line:') else code}?direction={direction}")
        rows: list[Any] = [row for kind in ITEMS for row in found[kind]]
        assert all(row["must"] == (row["least"] > 0) for row in rows)
        lines = {self.symbols[f"line {line['line']}"]: (line["least"], line["greatest"]) for run in found["runs"] for line in run["lines"]}
        items = {self.symbols[row["code"]]: Row(row["least"], row["greatest"], row["where"]) for row in rows}
        return Told(items, frozenset(self.symbols[run["run"]] for run in found["runs"]), lines, found["customers"])
