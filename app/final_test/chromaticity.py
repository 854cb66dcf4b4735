"""What chromaticities say: the dominant wavelength of a colour, and the locus of all. CIE 1931, 2 degree observer.

The testers give x and y as measured; nothing here makes them from a spectrum.
"""

from itertools import pairwise

Point = tuple[float, float]
EQUAL_ENERGY = (1 / 3, 1 / 3)  # the white of LED practice (CIE 127, from memory)
_FIRST_NM, _STEP_NM = 430, 5
# Spectral locus of the CIE 1931 standard observer (ISO/CIE 11664-1), x and y for 430 to 660 nm in steps of 5; a test compares every
# row with another library's table. Straight lines between rows keep the wavelength within 0.3 nm.
_LOCUS: tuple[Point, ...] = (
    (0.16888, 0.00690), (0.16690, 0.00856), (0.16441, 0.01086), (0.16110, 0.01379), (0.15664, 0.01770), (0.15099, 0.02274),
    (0.14396, 0.02970), (0.13550, 0.03988), (0.12412, 0.05780), (0.10959, 0.08684), (0.09129, 0.13270), (0.06871, 0.20072),
    (0.04539, 0.29498), (0.02346, 0.41270), (0.00817, 0.53842), (0.00386, 0.65482), (0.01387, 0.75019), (0.03885, 0.81202),
    (0.07430, 0.83380), (0.11416, 0.82621), (0.15472, 0.80586), (0.19288, 0.78163), (0.22962, 0.75433), (0.26578, 0.72432),
    (0.30160, 0.69231), (0.33736, 0.65885), (0.37310, 0.62445), (0.40874, 0.58961), (0.44406, 0.55471), (0.47877, 0.52020),
    (0.51249, 0.48659), (0.54479, 0.45443), (0.57515, 0.42423), (0.60293, 0.39650), (0.62704, 0.37249), (0.64823, 0.35139),
    (0.66576, 0.33401), (0.68008, 0.31975), (0.69150, 0.30834), (0.70061, 0.29930), (0.70792, 0.29203), (0.71403, 0.28593),
    (0.71903, 0.28093), (0.72303, 0.27695), (0.72599, 0.27401), (0.72827, 0.27173), (0.72997, 0.27003),
)  # fmt: skip
# The ends of the locus, for drawing it whole; the same table, in steps of 10 nm.
_VIOLET_END: dict[int, Point] = {
    380: (0.17411, 0.00496), 390: (0.17380, 0.00492), 400: (0.17334, 0.00480), 410: (0.17258, 0.00480), 420: (0.17141, 0.00510),
}  # fmt: skip
_RED_END: dict[int, Point] = {670: (0.73199, 0.26801), 680: (0.73342, 0.26658), 690: (0.73439, 0.26561), 700: (0.73469, 0.26531)}


def spectral_locus() -> dict[int, Point]:
    """Wavelength in nm -> x, y of the CIE 1931 standard observer, 380 to 700 nm; beyond, the points lie on one another."""
    return _VIOLET_END | {_FIRST_NM + _STEP_NM * n: point for n, point in enumerate(_LOCUS)} | _RED_END


def dominant_wavelength(x: float, y: float, white: Point = EQUAL_ENERGY) -> float | None:
    """Where the line from white through the colour meets the spectral locus, nm. None for white, purples, and beyond 430 to 660 nm."""
    along, up = x - white[0], y - white[1]
    for n, (one, other) in enumerate(pairwise(_LOCUS)):
        before, after = (_across(along, up, point[0] - white[0], point[1] - white[1]) for point in (one, other))
        if before >= 0 >= after and before > after and along * (one[0] - white[0]) + up * (one[1] - white[1]) > 0:
            return _FIRST_NM + _STEP_NM * (n + before / (before - after))
    return None


def _across(ax: float, ay: float, bx: float, by: float) -> float:
    """Above zero where b lies to the left of a."""
    return ax * by - ay * bx
