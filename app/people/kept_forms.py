"""A form sent after its session had ended: the sign-in page carries it, and who signs in again at the same browser is asked whether to send it.

Nothing of it is kept here. It is taken for what that session's owner sent because it bears the token of the ended session's forms and comes
from this very site; another who signs in instead gets none of it.
"""

import json
import secrets
from dataclasses import dataclass

from fastapi import Request
from starlette.datastructures import FormData

from app.db import House
from app.people.sign_in import form_token, owner_of
from app.web.ways_back import here_only

MOST = 20_000  # characters: what a person types, and no file
_SECRET = {"pin", "secret", "old", "new", "seed"}  # a form that sets one is not kept at all
_GIVES_ONE = ("/people",)  # its password is another's: asked for again, whoever signs in would type their own
_SIGNATURE = "password"  # left out, and asked for again
_OURS = {"form_token", "key", "told"}  # of no interest to who reads


@dataclass(frozen=True)
class KeptForm:
    """Where it goes, and its fields in their order, without token and password."""

    to: str
    fields: list[tuple[str, str]]
    signs: bool

    @property
    def shown(self) -> list[tuple[str, str]]:
        """Where to comes first: a release must say of which hold it is."""
        return [("to", self.to)] + [(name.replace("_", " "), text) for name, text in self.fields if text.strip() and name not in _OURS]


async def kept(request: Request, session_token: str | None) -> str:
    """What the sign-in page carries; empty where nothing is worth it, or nothing is safe to carry.

    Not of the floor: a terminal's next scan must answer what lies there now, and not what was asked hours ago.
    """
    if request.method != "POST" or not session_token or request.url.path.startswith(("/floor/", "/sign-")):
        return ""
    form = await request.form()
    sent = _texts(form)
    if sent is None or _SECRET & set(form) or request.url.path in _GIVES_ONE or not _is_of(session_token, str(form.get("form_token", ""))):
        return ""
    fields = [(name, text) for name, text in sent if name not in (_SIGNATURE, "form_token")]
    to = request.url.path + (f"?{request.url.query}" if request.url.query else "")
    text = json.dumps({"to": to, "fields": fields, "signs": _SIGNATURE in form, "of": form_token(session_token)})
    return text if len(text) <= MOST else ""


def kept_for(house: House, carried: str, before: str | None, now: str) -> KeptForm | None:
    """For the owner of the session before, if that is who signed in now."""
    if not carried or not before or (owner := owner_of(house, before)) is None or owner != owner_of(house, now):
        return None
    try:
        read = json.loads(carried)
        fields = [(str(name), str(text)) for name, text in read["fields"]]
        to, signs, of = str(read["to"]), bool(read["signs"]), str(read["of"])
    except (ValueError, TypeError, KeyError, RecursionError):
        return None
    return KeptForm(to, fields, signs) if _is_of(before, of) and here_only(to) == to else None


def _texts(form: FormData) -> list[tuple[str, str]] | None:
    """None: a file came with it, which no page can carry."""
    texts: list[tuple[str, str]] = []
    for name, value in form.multi_items():
        if isinstance(value, str):
            texts.append((name, value))
        elif value.filename:
            return None
    return texts


def _is_of(session_token: str, token: str) -> bool:
    return secrets.compare_digest(form_token(session_token).encode(), token.encode("utf-8", "surrogatepass"))
