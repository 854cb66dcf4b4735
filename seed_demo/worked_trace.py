"""One worked trace for the terminal: a reel back to its wafers and oven runs, then one of those oven runs forward to every reel."""

from rich.console import Console

from app.db import House
from app.genealogy.print_trace import print_trace
from app.genealogy.trace import Trace, trace_back, trace_forward
from app.naming.resolve import resolve
from seed_demo.truth import Truth


def print_worked_trace(house: House, truth: Truth, console: Console) -> None:
    """Of a reel that holds something from the cold shelf, where there is one."""
    with house.reading() as session:
        reel = worked_reel(truth)
        console.print(f"\nA customer asks about reel {reel}. What is it made of, and who else has some of that?\n", style="bold")
        back = trace_back(session, resolve(session, reel, "pack"))
        print_trace(back, console, most=6)
        run = worked_run(truth, back)
        console.print(f"\nOven run {run} is one of them. Which reels hold something that was in it?\n", style="bold")
        print_trace(trace_forward(session, resolve(session, run, "run")), console, most=10)


def worked_reel(truth: Truth) -> str:
    """A pack that holds something, of the cold shelf if any does."""
    filled = [pack for pack in truth.packs if len(truth.units_in(pack))]
    cold = truth.packs_of_run(truth.faults["cold shelf"]) if "cold shelf" in truth.faults else set()
    return next((pack for pack in filled if pack in cold), filled[0])


def worked_run(truth: Truth, back: Trace) -> str:
    """The cold oven run if it is in the trace, else the first cure."""
    cures = [run.run for run in back.runs if run.operation == "cure"]
    cold = truth.faults.get("cold shelf")
    return cold if cold in cures else cures[0]
