"""What a form of the terminal sends: the scan, the question that it answers, the numbers entered so far."""

from dataclasses import dataclass, field, fields, replace
from datetime import datetime
from typing import Annotated

from fastapi import Depends, Request

from app.codes import on_label
from app.errors import bad_input, crafted
from app.scan.choose import Pending

_MOST = 200  # characters of one field
_NUMBERS = ("value.", "count.", "fill.", "bin.")


@dataclass(frozen=True)
class Sent:
    scan: str = ""
    station: str = ""
    asked: str = ""
    asks: str = ""
    asked_at: str = ""
    key: str = ""
    said: str = ""  # what the page said when this was scanned
    clear: str = ""
    confirmed: str = ""
    item: str = ""
    state: str = ""
    reason: str = ""
    entry: str = ""
    awaited: str = ""  # the number that was asked for, of those that are typed one after another
    is_illegible: bool = False  # what was scanned, into whichever field: another firm's label, mostly
    numbers: dict[str, str] = field(default_factory=dict)  # typed so far, by `value.`, `count.`, `fill.` and `bin.` names

    @property
    def pending(self) -> Pending | None:
        try:
            asked_at = datetime.fromisoformat(self.asked_at)
        except ValueError:
            return None
        return Pending(self.asked, self.asks, asked_at) if self.asked and self.asks and asked_at.tzinfo else None

    def with_scan(self, name: str) -> "Sent":
        """What was typed into a number's field is a scan."""
        return replace(self, scan=self.numbers[name], numbers={one: text for one, text in self.numbers.items() if one != name})


async def _sent(request: Request) -> Sent:
    form = {name: on_label(text.strip()) for name, text in (await request.form()).items() if isinstance(text, str)}
    illegible = [name for name, text in form.items() if len(text) > _MOST or not text.isprintable()]
    if odd := [name for name in illegible if (name != "scan" and not name.startswith(_NUMBERS)) or "\0" in form[name]]:
        refusal = bad_input("That can't be read.", odd[0][:40], "It is too long, or has control characters.", "Scan it again.")
        raise crafted(refusal) if any("\0" in form[name] for name in odd) else refusal
    legible = {name: text for name, text in form.items() if name not in illegible}
    known = {name: text for name, text in legible.items() if name in _FIELDS}
    return Sent(**known, is_illegible=bool(illegible), numbers={name: text for name, text in legible.items() if name.startswith(_NUMBERS)})


_FIELDS = {one.name for one in fields(Sent)} - {"numbers", "is_illegible"}


Sending = Annotated[Sent, Depends(_sent)]
