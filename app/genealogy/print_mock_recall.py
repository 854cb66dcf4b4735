"""The report of a mock recall in the terminal."""

from typing import Any

from rich.console import Console

_MOST = 12


def print_mock_recall(number: int, report: dict[str, Any], digest: str, console: Console, most: int = _MOST) -> None:
    every, back, took = report["every_unit"], report["back"], report["seconds"]["all"]
    picked = "named" if report["seed"] is None else f"seed {report['seed']} of {report['out_of']} packs"
    console.print(f"[bold]Mock recall {number}: {report['pack']}[/bold] {report['words']}, {report['units'] or 0:,} units ({picked})")
    console.print(f"Where: {report['where']}. Rehearsed in {took:.2f} s.")
    counts = {name: back[name] if isinstance(back[name], int) else len(back[name]) for name in ("wafers", "batches", "panels", "lots", "runs")}
    console.print("Back: " + ", ".join(f"{n} {name}" for name, n in counts.items()))
    console.print(f"Lots of origin: {', '.join(report['origin_lots']) or 'none known'}")
    _print_lots(report["lots"], console)
    places = {"came in": every["came_in"], "from other lots": every["from_others"], "scrapped": every["scrapped"], "sampled": every["sampled"]}
    places |= every["here"] | {f"shipped to {customer}": units for customer, units in every["customers"].items()}
    places |= {"difference": every["difference"], "unexplained": every["unexplained"]}
    for place, units in places.items():
        if units or place in ("came in", "unexplained"):
            console.print(f"  {place}: {units:,}")
    share = f"{100 * every['recovery']:.2f} %" if every["recovery"] is not None else "unknown"
    judged = "within" if every["within"] else "BEYOND"
    console.print(f"Recovery {share}: {every['not_accounted']:,} units not accounted for, {judged} what counting can tell ({every['limit']:.0f}).")
    console.print(f"Packs with units of these lots: {len(report['packs'])}")
    console.print(f"Missing evidence: {len(report['missing'])}")
    for one in report["missing"][:most]:
        console.print(f"  {one['kind']}: {one['about']}: {one['words']}", soft_wrap=True)
    if len(report["missing"]) > most:
        console.print(f"  ... and {len(report['missing']) - most} more")
    console.print(f"Kept as evidence {digest}", soft_wrap=True)


def _print_lots(lots: list[dict[str, Any]], console: Console) -> None:
    for lot in lots:
        ended = {"went on": lot["went_on"]} | {name: lot[name] for name in ("scrapped", "sampled", "difference", "here", "unexplained") if lot[name]}
        share = f", recovery {100 * lot['recovery']:.2f} %" if lot["recovery"] is not None else ""
        told = ", ".join(f"{name} {units:,}" for name, units in ended.items())
        console.print(f"  {lot['code']} {lot['form']}: in {lot['came_in']:,}; {told}{share} (can't tell {lot['limit']:.0f})", soft_wrap=True)
