"""Our codes as URIs under the authority of the settings, for exports that others read."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Uris:
    """`https://.../pack/K26-...` under a web address, `urn:...:pack:K26-...` under a URN."""

    authority: str

    def of(self, kind: str, code: str) -> str:
        return self.namespace(kind) + code

    def namespace(self, kind: str) -> str:
        mark = ":" if self.authority.startswith("urn:") else "/"
        return f"{self.authority}{mark}{kind}{mark}"
