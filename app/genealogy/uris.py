"""Our codes, and the names of what has no code, as URIs under the authority of the settings, for exports that others read."""

from dataclasses import dataclass
from urllib.parse import quote


@dataclass(frozen=True)
class Uris:
    """`https://.../pack/K26-...` under a web address, `urn:...:pack:K26-...` under a URN."""

    authority: str

    def of(self, kind: str, code: str) -> str:
        """A name's signs that a URI can't have are percent-encoded in UTF-8 (RFC 3986, 2.1)."""
        return self.namespace(kind) + quote(code, safe="")

    def namespace(self, kind: str) -> str:
        mark = ":" if self.authority.startswith("urn:") else "/"
        return f"{self.authority}{mark}{kind}{mark}"
