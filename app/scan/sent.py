"""What a form of the terminal sends: the scan, the question that it answers, the numbers entered so far."""

from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Annotated

from fastapi import Depends, Request

from app.codes import on_label
from app.errors import bad_input, crafted
from app.scan.choose import Pending

_MOST = 200  # characters of one field


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
    for name, text in form.items():
        if len(text) > _MOST or not text.isprintable():
            refusal = bad_input("That can't be read.", name[:40], "It is too long, or has control characters.", "Scan it again.")
            raise crafted(refusal) if "\0" in text else refusal
    known = {name: text for name, text in form.items() if name in Sent.__dataclass_fields__ and name != "numbers"}
    return Sent(**known, numbers={name: text for name, text in form.items() if name.startswith(("value.", "count.", "fill.", "bin."))})


Sending = Annotated[Sent, Depends(_sent)]
