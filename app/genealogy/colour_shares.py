"""Of a loose lot that was tested: how many suspects each bin has, told by the die maps' values and what the tester measured.

Told only where it can be: every unit of the lot came off panels whose suspect cells are sure, straight or through lots that were poured
into it whole; the die maps carry values of the colours (a wavelength, an intensity), and the unit results have chromaticities or
wavelengths, or intensities, of the same colours.
"""

import re
from collections import defaultdict
from collections.abc import Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.final_test.bins import name_sql, text_sql
from app.final_test.chromaticity import dominant_wavelength
from app.final_test.columnar import columnar
from app.final_test.models import UnitFile, UnitFileCorrection
from app.floor import bitmaps
from app.floor.exits import exits_of
from app.floor.placed_where import placed_on
from app.genealogy.origin_by_colour import BinShare, Colour, Measured, shares_by_colour
from app.genealogy.suspect_cells import SuspectCells
from app.ledger.flows import Flow
from app.ledger.items import Lot
from app.receiving.delimited import plain_name
from app.receiving.die_map import DieMap
from app.receiving.wafers import map_if_any

WAVELENGTHS = ("wavelength", "dominantwavelength", "wavelengthnm", "wd", "wld", "wlp", "peakwavelength", "lambdad", "nm")
INTENSITIES = ("intensity", "iv", "power", "flux", "luminousintensity", "mcd")
_MOST_UNITS = 100_000  # of a larger lot so many, drawn at random from a fixed seed
_SEED = 42
Floats = NDArray[np.float64]
Feature = tuple[str, str]  # role, and wavelength or intensity


def bin_shares(session: Session, folder: Path, lot: int, cells: SuspectCells) -> dict[int, BinShare]:
    """Loose lot that came out of a test of `lot` -> suspects expected in it; empty where colour can't tell. `folder`: of Parquet files."""
    bins = _bin_lots(session, lot)
    file = _unit_file(session, bins)
    path = folder / f"{file.parquet}.parquet" if file else None
    lots, panels = _poured(session, lot)
    if file is None or path is None or not path.is_file() or not panels:
        return {}
    groups = _map_values(session, lots, panels, cells)
    if groups is None:
        return {}
    suspects, others, marked, units = groups
    columns = _columns(path, {feature for feature in suspects if len(suspects[feature]) and len(others.get(feature, ()))})
    if not columns or not 0 < marked < units:
        return {}
    names, measured = _measured(path, columns)
    colours = [Colour(suspects[feature], others[feature]) for feature in columns]
    told = shares_by_colour(colours, measured, round(marked * int(measured.count.sum()) / units), int(measured.count.sum()))
    scale = file.rows / max(1, int(measured.count.sum()))
    return _by_lot(bins, {names[number]: share for number, share in told.items()}, scale)


def _by_lot(bins: dict[int, tuple[str, int]], told: Mapping[str, BinShare], scale: float) -> dict[int, BinShare]:
    """A bin's share by the units of the lots that were made of it."""
    found = {}
    for item, (name, units) in bins.items():
        share = told.get(name)
        if share is None or not share.units:
            return {}
        part = units / (share.units * scale)
        found[item] = BinShare(units, min(units, share.suspects * scale * part), share.sd * np.sqrt(scale) * part)
    return found


def _bin_lots(session: Session, lot: int) -> dict[int, tuple[str, int]]:
    query = select(Flow.child, Lot.bin, Flow.units).join(Lot, Lot.item == Flow.child).where(Flow.parent == lot, Flow.kind == "bin")
    return {child: (name or "", units) for child, name, units in session.execute(query)}


def _unit_file(session: Session, bins: Mapping[int, object]) -> UnitFile | None:
    """The results in force of the run by which the bins came out."""
    run = session.scalar(select(Flow.run).where(Flow.child.in_(list(bins)), Flow.kind == "bin").limit(1)) if bins else None
    replaced = select(UnitFileCorrection.file).where(UnitFileCorrection.file == UnitFile.id).exists()
    return session.scalar(select(UnitFile).where(UnitFile.run == run, ~replaced).order_by(UnitFile.id.desc()).limit(1)) if run else None


def _poured(session: Session, lot: int) -> tuple[set[int], list[int]]:
    """The lot with those that were poured into it whole, through any number of merges, and their panels. No panels where anything else came in."""
    lots, panels, waiting = {lot}, list[int](), [lot]
    while waiting:
        into = session.execute(select(Flow.parent, Flow.kind).where(Flow.child.in_(waiting))).all()
        if any(row.kind not in ("cells", "merge", "carry") for row in into):
            return lots, []
        panels += [row.parent for row in into if row.kind == "cells"]
        waiting = [row.parent for row in into if row.kind != "cells"]
        lots.update(waiting)
    elsewhere = select(Flow.child).where(Flow.parent.in_(lots - {lot}), Flow.kind != "draw", Flow.child.not_in(lots)).limit(1)
    return lots, panels if session.scalar(elsewhere) is None else []


def _map_values(
    session: Session, lots: set[int], panels: list[int], cells: SuspectCells
) -> tuple[dict[Feature, Floats], dict[Feature, Floats], int, int] | None:  # fmt: skip
    """Values of the suspects' dies and of the others', by role; the number of suspect units, and of all. None where a cell is unsure."""
    valued: dict[int, tuple[DieMap, dict[str, Floats]] | None] = {}
    suspects: defaultdict[Feature, list[Floats]] = defaultdict(list)
    others: defaultdict[Feature, list[Floats]] = defaultdict(list)
    marked = units = 0
    for exit_ in exits_of(session, panels):
        if exit_.child not in lots:
            continue
        found, out = cells.at(exit_.panel, exit_.e), bitmaps.as_number(exit_.cells)
        if found.sure & out != found.possible & out:
            return None
        sure = bitmaps.of_number(found.sure & out, exit_.cells)
        marked += bitmaps.count(sure)
        units += bitmaps.count(exit_.cells)
        is_suspect, left = (np.unpackbits(each, bitorder="little").astype(bool) for each in (sure, exit_.cells))
        placed = placed_on(session, exit_.panel)
        here = placed.only(left[placed.cell])
        for wafer, role in sorted(set(zip(here.wafer.tolist(), here.step_role.tolist(), strict=True))):
            if wafer not in valued:
                valued[wafer] = _valued(session, wafer)
            if (its := valued[wafer]) is None:
                continue
            dies = here.only((here.wafer == wafer) & (here.step_role == role))
            where = its[0].index_of(dies.x, dies.y)
            for what, values in its[1].items():
                own = values[where]
                known, suspect = np.isfinite(own), is_suspect[dies.cell]
                suspects[role, what].append(own[suspect & known])
                others[role, what].append(own[~suspect & known])
    joined = ({feature: np.concatenate(each) for feature, each in side.items()} for side in (suspects, others))
    return next(joined), next(joined), marked, units


def _valued(session: Session, wafer: int) -> tuple[DieMap, dict[str, Floats]] | None:
    """Its map with the values of its dies; none where it has no map, or one without values."""
    die_map = map_if_any(session, wafer)
    values = _by_feature(die_map) if die_map else {}
    return (die_map, values) if die_map and values else None


def _by_feature(die_map: DieMap) -> dict[str, Floats]:
    found = {}
    for what, names in (("wavelength", WAVELENGTHS), ("intensity", INTENSITIES)):
        name = next((name for name in names if name in die_map.values), None)
        if name is not None:
            found[what] = np.append(die_map.values[name], np.nan).astype(np.float64)  # index -1: not on the map
    return found


def _columns(path: Path, wanted: set[Feature]) -> dict[Feature, tuple[str, ...]]:
    """Which columns of the unit results tell each feature: an x and a y of the colour, a wavelength of it, or an intensity."""
    with columnar(path) as connection:
        titles = [row[0] for row in connection.execute(f"describe select * from read_parquet({text_sql(str(path))})").fetchall()]
    plain = {plain_name(title): title for title in titles}

    def titled(role: str, *names: str) -> str | None:
        return next((plain[key] for name in names for key in (name + role, role + name) if key in plain), None)

    found: dict[Feature, tuple[str, ...]] = {}
    for role, what in sorted(wanted):
        of = re.sub(r"[ _\-]", "", role.lower())
        x, y, one = titled(of, "x", "ciex"), titled(of, "y", "ciey"), titled(of, *(WAVELENGTHS if what == "wavelength" else INTENSITIES))
        if one:
            found[role, what] = (one,)
        elif what == "wavelength" and x and y:
            found[role, what] = (x, y)
    return found


def _measured(path: Path, columns: Mapping[Feature, tuple[str, ...]]) -> tuple[list[str], Measured]:
    """Names of bins, and the units by what was measured of them."""
    titles = list(dict.fromkeys(title for pair in columns.values() for title in pair))
    quoted = ", ".join(map(name_sql, titles))
    sample = f"USING SAMPLE reservoir({_MOST_UNITS} ROWS) REPEATABLE ({_SEED})"
    with columnar(path, memory_limit="512MB") as connection:
        rows = connection.execute(f"select bin, {quoted} from read_parquet({text_sql(str(path))}) {sample}").fetchnumpy()
    names, bins = np.unique(np.asarray(rows["bin"]).astype(str), return_inverse=True)
    values = {title: np.ma.filled(np.ma.asarray(rows[title]).astype(np.float64), np.nan) for title in titles}
    features = np.column_stack([_wavelengths(values[pair[0]], values[pair[1]]) if len(pair) == 2 else values[pair[0]] for pair in columns.values()])
    return names.tolist(), Measured(features, bins.astype(np.int64), np.ones(len(bins), dtype=np.int64))


def _wavelengths(x: Floats, y: Floats) -> Floats:
    """Dominant wavelengths to a hundredth of a nanometre; each distinct chromaticity is worked out once."""
    pairs, where = np.unique(np.round(np.column_stack([x, y]), 5), axis=0, return_inverse=True)
    found = np.array([np.nan if not np.isfinite(a + b) else (dominant_wavelength(a, b) or np.nan) for a, b in pairs.tolist()])
    return np.round(found, 2)[where.reshape(-1)]
