"""Writes small die maps cell by cell, in every format and frame: slow, plain, and independent of the readers."""

from dataclasses import dataclass
from xml.sax.saxutils import quoteattr

from hypothesis import strategies as st

NULL = "."
PASSING = ("1", "A")
CODES = ("1", "A", "a", "7", "x")
ORIGINS = ("UpperLeft", "UpperRight", "LowerLeft", "LowerRight")
AXES = ("DownRight", "UpRight", "DownLeft", "UpLeft")


@dataclass(frozen=True)
class Written:
    """A wafer seen with its notch down, upper row first, and the frame in which it is written."""

    picture: tuple[tuple[str, ...], ...]
    origin: str = "UpperLeft"
    axis: str = "DownRight"
    orientation: int = 0

    def dies(self) -> dict[tuple[int, int], str]:
        """The code of every die by its coordinates."""
        rows, columns = len(self.picture), len(self.picture[0])
        row0 = 0 if self.origin.startswith("Upper") else rows - 1
        column0 = 0 if self.origin.endswith("Left") else columns - 1
        down, right = (1 if self.axis.startswith("Down") else -1), (1 if self.axis.endswith("Right") else -1)
        return {
            ((c - column0) * right, (r - row0) * down): code for r, line in enumerate(self.picture) for c, code in enumerate(line) if code != NULL
        }

    def lines(self) -> list[list[str]]:
        """The rows as the file has them: turned clockwise, so that the notch goes from the bottom to the left, top, right."""
        lines = [list(line) for line in self.picture]
        for _ in range(self.orientation // 90):
            lines = [list(line) for line in zip(*lines[::-1], strict=True)]
        return lines

    def count(self, code: str) -> int:
        return sum(line.count(code) for line in self.picture)

    def e142(self, null: str = NULL, wafer: str = "W-7") -> str:
        lines = self.lines()
        rows = "".join(f"<BinCode>{''.join(line).replace(NULL, null)}</BinCode>\n" for line in lines)
        bins = "".join(f'<BinDefinition BinCode="{code}" BinCount="{self.count(code)}" BinQuality="{quality(code)}"/>\n' for code in CODES)
        return (
            f'<MapData xmlns="urn:semi-org:xsd.E142-1.V1005.SubstrateMap">\n<Layouts><Layout LayoutId="L">'
            f'<Dimension X="{len(lines[0])}" Y="{len(lines)}"/></Layout></Layouts><SubstrateMaps>\n'
            f'<SubstrateMap SubstrateType="Wafer" SubstrateId={quoteattr(wafer)} LayoutSpecifier="L" '
            f'Orientation="{self.orientation}" OriginLocation="{self.origin}" AxisDirection="{self.axis}">\n'
            f'<Overlay MapName="Sort"><BinCodeMap BinType="Ascii" NullBin={quoteattr(null)}>\n'
            f"<BinDefinitions>{bins}</BinDefinitions>\n{rows}</BinCodeMap></Overlay></SubstrateMap>"
            "</SubstrateMaps></MapData>"
        )

    def g85(self) -> str:
        """Decimal codes: the place of the code in CODES and one. The axis goes with the corner."""
        lines = self.lines()
        number = {code: f"{n:03d}" for n, code in enumerate(CODES, start=1)} | {NULL: "255"}
        bins = "".join(f'<Bin BinCode="{number[code]}" BinCount="{self.count(code)}" BinQuality="{quality(code)}"/>' for code in CODES)
        rows = "".join(f"<Row><![CDATA[{' '.join(number[code] for code in line)}]]></Row>\n" for line in lines)
        corner = {"UpperRight": 1, "UpperLeft": 2, "LowerLeft": 3, "LowerRight": 4}[self.origin]
        return (
            f'<Map WaferId="W-7" FormatRevision="G85-1101"><Device Rows="{len(lines)}" Columns="{len(lines[0])}" '
            f'BinType="Decimal" NullBin="255" Orientation="{self.orientation}" OriginLocation="{corner}">{bins}<Data>{rows}</Data></Device></Map>'
        )

    def text(self, null: str = NULL) -> str:
        lines = self.lines()
        grid = "\n".join("".join(line).replace(NULL, null) for line in lines)
        named = "space" if null == " " else null
        bins = "".join(f"Bin {code}: {self.count(code)}\n" for code in CODES)
        return (
            f"Wafer: W-7\nOrigin: {self.origin}\nAxis: {self.axis}\nNotch: {self.orientation}\nNull: {named}\n"
            f"Rows: {len(lines)}\nColumns: {len(lines[0])}\nPassing bins: {', '.join(PASSING)}\n{bins}\n{grid}\n\nOperator: K. Vale\nPassing: "
            f"{sum(self.count(code) for code in PASSING)}\n"
        )

    def csv(self) -> str:
        lines = [f"{code},{x},{y},{'pass' if code in PASSING else 'fail'}" for (x, y), code in self.dies().items()]
        return "Die Bin,Die X,Die_Y,Quality\n" + "\n".join(lines) + "\n"


def quality(code: str) -> str:
    return "Pass" if code in PASSING else "Fail"


@st.composite
def written_maps(draw: st.DrawFn) -> Written:
    rows, columns = draw(st.integers(1, 6)), draw(st.integers(1, 6))
    cell = st.sampled_from((NULL, *CODES))
    picture = draw(st.lists(st.tuples(*[cell] * columns), min_size=rows, max_size=rows))
    picture[draw(st.integers(0, rows - 1))] = ("1",) * columns  # no map is without dies
    return Written(tuple(picture), draw(st.sampled_from(ORIGINS)), draw(st.sampled_from(AXES)), draw(st.sampled_from((0, 90, 180, 270))))
