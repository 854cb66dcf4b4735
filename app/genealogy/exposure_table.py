"""Exposure as CSV: one row per thing or group."""

import csv
import io

from app.genealogy.exposure import ExposedRow, Exposure
from app.web.downloads import safe

HEAD = (
    "kind", "code", "words", "where", "members", "units", "least", "expected", "expected_low", "expected_high", "greatest", "chance", "chance_how",
    "chance_error", "by_colour", "by_colour_sd",
)  # fmt: skip


def rows_of(found: Exposure) -> list[ExposedRow]:
    return [found.total, *found.places, *found.customers, *found.shipments, *found.packs, *found.lots, *found.panels]


def exposure_csv(found: Exposure) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(HEAD)
    for row in rows_of(found):
        one = row.exposed
        cells = (row.kind, row.code, row.words, row.where, row.members, one.units, one.least, f"{one.expected:.3f}", f"{one.expected_low:.3f}")
        chance = (f"{one.expected_high:.3f}", one.greatest, f"{one.chance.value:.6g}", one.chance.how, f"{one.chance.error:.2g}")
        colour = ("", "") if one.by_colour is None else (f"{one.by_colour:.3f}", f"{one.by_colour_sd:.3f}")
        writer.writerow(map(safe, (*cells, *chance, *colour)))
    return out.getvalue()
