"""Where each place of a grid lies in its picture, there and back: dies of a wafer by x and y, cells of a panel by column and row.

This is the only such mapping: pictures, marks over them, pages without JavaScript and the script (through the data attributes) use it.
"""

from dataclasses import asdict, dataclass

WIDEST = 1024  # pixels of a whole grid, where a pixel a place allows it
LARGEST_PITCH = 24  # pixels a place
MARGIN = 40  # pixels around the grid, for what is written and drawn there


@dataclass(frozen=True)
class GridFrame:
    """`left` is the x of the leftmost column, `top` the y of the uppermost row; `right` and `down` say by how much x and y change that way.

    A place is a square of `pitch` pixels; `margin` pixels lie around the grid.
    """

    columns: int
    rows: int
    left: int
    top: int
    right: int = 1
    down: int = 1
    pitch: int = LARGEST_PITCH
    margin: int = MARGIN

    @property
    def width(self) -> int:
        return self.columns * self.pitch + 2 * self.margin

    @property
    def height(self) -> int:
        return self.rows * self.pitch + 2 * self.margin

    def pixel_of(self, x: int, y: int) -> tuple[int, int]:
        """The upper left pixel of a place, whether the grid has it or not."""
        return self.margin + (x - self.left) * self.right * self.pitch, self.margin + (y - self.top) * self.down * self.pitch

    def place_at(self, across: int, below: int) -> tuple[int, int] | None:
        """x and y of the place at a pixel; None outside the grid."""
        column, row = (across - self.margin) // self.pitch, (below - self.margin) // self.pitch
        return self.at(column, row) if 0 <= column < self.columns and 0 <= row < self.rows else None

    def at(self, column: int, row: int) -> tuple[int, int]:
        """x and y of a column and row of the picture, counted from 0 at the upper left."""
        return self.left + column * self.right, self.top + row * self.down

    def column_row(self, x: int, y: int) -> tuple[int, int] | None:
        """Column and row of a place in the picture, counted from 0 at the upper left; None where the grid has none."""
        column, row = (x - self.left) * self.right, (y - self.top) * self.down
        return (column, row) if 0 <= column < self.columns and 0 <= row < self.rows else None

    def around(self, x: int, y: int, columns: int, rows: int, pitch: int) -> "GridFrame":
        """A close-up of so many columns and rows about a place, within the grid."""
        columns, rows = min(columns, self.columns), min(rows, self.rows)
        column, row = (x - self.left) * self.right - columns // 2, (y - self.top) * self.down - rows // 2
        left, top = self.at(max(0, min(column, self.columns - columns)), max(0, min(row, self.rows - rows)))
        return GridFrame(columns, rows, left, top, self.right, self.down, pitch, self.margin)

    def data(self) -> dict[str, int]:
        """What the script needs: the values of the data attributes by their names."""
        return asdict(self)


def pitch_for(columns: int, rows: int, widest: int = WIDEST) -> int:
    """As large as the picture's width allows; a place is never less than a pixel."""
    return max(1, min(LARGEST_PITCH, widest // max(columns, rows, 1)))
