"""The files that an invented factory's machines write: die maps, placement logs, oven loggers' traces. Pure: arrays in, bytes out."""

from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from app.final_test.chromaticity import EQUAL_ENERGY, spectral_locus

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
SIDE = 200  # positions across a wafer: about 31,000 dies
_PASSED = "%d,PASS" + ",%.4f" * 6 + ",%.1f" * 3
LOG_HEAD = "time,wafer,die x,die y,panel,row,column"


def passing_dies(rng: Generator, side: int = SIDE) -> NDArray[np.int8]:
    """By row and column of the drawing: -1 no die, 0 failed, 1 passed. A round wafer; three of a hundred fail."""
    y, x = np.mgrid[0:side, 0:side]
    middle = (side - 1) / 2
    inside = (x - middle) ** 2 + (y - middle) ** 2 <= (side / 2) ** 2
    passed = (rng.random((side, side)) >= 0.03).astype(np.int8)
    return np.where(inside, passed, -1).astype(np.int8)


def wavelengths(rng: Generator, side: int = SIDE) -> Floats:
    """Dominant wavelength of each die of a green wafer, nm: each wafer has a mean of its own, falls off to its edge, and scatters (invented)."""
    y, x = np.mgrid[0:side, 0:side]
    middle = (side - 1) / 2
    from_middle = ((x - middle) ** 2 + (y - middle) ** 2) / middle**2
    nm: Floats = rng.normal(525.0, 1.5) - from_middle + rng.normal(0, 0.6, (side, side))
    return nm.clip(519.5, 530.5).round(2)


def csv_map(wafer: str, dies: NDArray[np.int8], nm: Floats) -> bytes:
    """A die a line, with its wavelength."""
    rows, columns = np.nonzero(dies >= 0)
    bins, values = np.where(dies == 1, 1, 9)[rows, columns], nm[rows, columns]
    lines = zip(columns.tolist(), rows.tolist(), bins.tolist(), values.tolist(), strict=True)
    return ("wafer,x,y,bin,wavelength\n" + "".join([f"{wafer},{x},{y},{name},{value:.2f}\n" for x, y, name, value in lines])).encode()


def text_map(wafer: str, dies: NDArray[np.int8]) -> bytes:
    return f"wafer: {wafer}\norigin: UpperLeft\naxis: DownRight\nnull: .\n\n{_drawn(dies)}\n".encode()


def e142_map(wafer: str, dies: NDArray[np.int8]) -> bytes:
    """SEMI E142 in the form of the standard's examples (from memory)."""
    rows, columns = dies.shape
    lines = "".join(f"<BinCode>{line}</BinCode>" for line in _drawn(dies).split("\n"))
    return (
        '<?xml version="1.0"?>\n<MapData xmlns="urn:semi-org:xsd.E142-1.V1005.SubstrateMap">'
        f'<Layouts><Layout LayoutId="L"><Dimension X="{columns}" Y="{rows}"/></Layout></Layouts>'
        f'<Substrates><Substrate SubstrateType="Wafer" SubstrateId="{wafer}"/></Substrates>'
        f'<SubstrateMaps><SubstrateMap SubstrateType="Wafer" SubstrateId="{wafer}" LayoutSpecifier="L" Orientation="0"'
        ' OriginLocation="UpperLeft" AxisDirection="DownRight"><Overlay MapName="bins" MapVersion="1"><BinCodeMap BinType="Ascii" NullBin="."'
        f' MapType="Array"><BinDefinitions><BinDefinition BinCode="1" BinQuality="Pass"/><BinDefinition BinCode="9" BinQuality="Fail"/>'
        f"</BinDefinitions>{lines}</BinCodeMap></Overlay></SubstrateMap></SubstrateMaps></MapData>"
    ).encode()


def placement_lines(begins: datetime, seconds: float, wafer: Sequence[str], x: Ints, y: Ints, panel: Sequence[str], cell: Ints, columns: int) -> str:
    """A line a die, in the order of picking; of a die that was lost, the panel is empty and the cell -1."""
    at = np.datetime64(begins.replace(tzinfo=None), "ms") + (np.linspace(0, seconds, len(x)) * 1000).astype("timedelta64[ms]")
    places = [",,", *(f",{c // columns + 1},{c % columns + 1}" for c in range(int(cell.max(initial=-1)) + 1))]
    lines = zip(np.datetime_as_string(at).tolist(), wafer, x.tolist(), y.tolist(), panel, cell.tolist(), strict=True)
    return "".join([f"{t}Z,{w},{dx},{dy},{p}{places[c + 1]}\n" for t, w, dx, dy, p, c in lines])


def cure_minutes(soak: float, set_point: float) -> float:
    """Door to door: up at 4 degrees a minute, the soak, down at 5 to 60."""
    return 5 + (set_point - 25) / 4 + soak + (set_point - 60) / 5


def logger_file(rng: Generator, begins: datetime, soak: float, set_point: float, sensors: Sequence[str], cold: Sequence[str], by: float) -> bytes:
    """A reading a minute from before the door closed until after it opened. `cold` sensors stay `by` degrees below."""
    length = cure_minutes(soak, set_point)
    minutes = np.arange(-4, int(length) + 5)
    up, down = 5.0, 5 + (set_point - 25) / 4 + soak
    ideal = np.minimum(25 + 4 * np.clip(minutes - up, 0, None), set_point) - 5 * np.clip(minutes - down, 0, None)
    ideal = np.maximum(ideal, 25.0)
    columns = []
    for name in sensors:
        offset = float(rng.normal(0, 0.4)) - (by if name in cold else 0.0) * 1.0
        share = np.clip((ideal - 25) / (set_point - 25), 0, 1)
        columns.append(ideal + share * offset + rng.normal(0, 0.08, len(minutes)))
    rows = [";".join(["time", *sensors])]
    for i, minute in enumerate(minutes.tolist()):
        when = begins + timedelta(minutes=minute)
        rows.append(";".join([f"{when:%Y-%m-%d %H:%M:%S}", *(f"{column[i]:.2f}" for column in columns)]))
    return ("\n".join(rows) + "\n").encode()


def green_measured(rng: Generator, nm: Floats) -> tuple[Floats, Floats]:
    """x and y that a tester finds of green dies of these wavelengths: a little too long, blurred, and three quarters of the way from white."""
    seen = np.clip(nm + 0.2 + rng.normal(0, 0.15, len(nm)), 519, 531)
    locus = spectral_locus()
    ends = [np.interp(seen, list(locus), [point[i] for point in locus.values()]) for i in (0, 1)]
    x, y = (np.round(white + 0.75 * (end - white), 4) for white, end in zip(EQUAL_ENERGY, ends, strict=True))
    return x, y


def unit_results(rng: Generator, bins: Sequence[str], green_x: Floats, green_y: Floats) -> bytes:
    """A tester's file: a line a unit, with colours and intensities that fall into the bins of the demo's catalogue."""
    n, which = len(bins), np.array(bins)
    spread = rng.random((7, n))
    second, out = which == "S1", which == "R-OUT"
    red_x = np.where(out, 0.6, 0.689 + 0.004 * spread[1])  # R-OUT: far too orange
    columns = [
        red_x, 0.2995 + 0.003 * spread[0], green_x, green_y, 0.13 + 0.006 * spread[2], 0.067 + 0.006 * spread[3],
        350 + 300 * spread[4], np.where(second, 470 + 210 * spread[5], 750 + 700 * spread[5]), 150 + 220 * spread[6],
    ]  # fmt: skip
    rows = np.column_stack(columns).tolist()
    lines = ["unit,result,x_red,y_red,x_green,y_green,x_blue,y_blue,iv_red,iv_green,iv_blue"]
    lines += [
        f"{unit},OPEN,,,,,,,,," if name == "R-OPEN" else _PASSED % (unit, *row) for unit, (name, row) in enumerate(zip(bins, rows, strict=True), 1)
    ]
    return ("\n".join(lines) + "\n").encode()


def _drawn(dies: NDArray[np.int8]) -> str:
    letters = np.array(["9", "1", "."])[dies]
    return "\n".join("".join(row) for row in letters.tolist())
