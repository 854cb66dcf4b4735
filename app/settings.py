"""All settings, read once: from the environment (REELROOT_...) or their defaults."""

import shlex
from pathlib import Path
from typing import ClassVar

from pydantic import Field, ValidationInfo, field_validator
from pydantic_settings import BaseSettings, SettingsConfigDict

THE_FILE = "{file}"  # in a command, where the path of a file belongs


class Settings(BaseSettings):
    model_config = SettingsConfigDict(env_prefix="REELROOT_", extra="ignore")

    data_dir: Path = Field(default=Path("data"), description="Where the embedded database, evidence and seals are kept.")
    database_url: str = Field(default="", description="SQLAlchemy URL; empty means SQLite in the data folder.")
    read_url: str = Field(default="", description="PostgreSQL only: where traces, lists and the board are read, a standby. Empty: database_url.")
    owner_url: str = Field(default="", description="PostgreSQL only: as whom `upgrade` and `restore` work, the tables' owner. Empty: database_url.")
    host: str = "127.0.0.1"
    port: int = Field(default=8017, ge=1, le=65535)
    threads: int = Field(default=8, ge=2, le=64, description="Threads for requests: few are fairer than many.")
    seal_seconds: float = Field(default=5.0, gt=0, description="How often the server seals new journal entries.")
    uri_authority: str = Field(
        default="https://id.reelroot.example",  # RFC 2606: a name that leads nowhere
        pattern=r"^(https?://[^\s/?#]+(/[^\s?#]*[^\s?#/])?|urn:[a-z0-9][a-z0-9-]{1,31}:[^\s?#]*[^\s?#:])$",
        description="What the URIs of our codes begin with in exports: a web address of yours, or a URN.",
    )
    second_factor: bool = Field(default=False, description="At a desk a password is not enough: everyone there must set up an authenticator's code.")
    tls_certificate: Path | None = Field(default=None, description="Serve HTTPS with this certificate (PEM, with its chain). Empty: HTTP.")
    tls_key: Path | None = Field(default=None, description="The certificate's private key (PEM).")
    max_upload_mb: int = Field(default=600, ge=1, description="The largest file that is taken in.")
    scanner: str = Field(
        default="", description="A program that looks at each file before it is kept: a command with {file} where the path belongs. Empty: none."
    )
    scanner_seconds: float = Field(default=60.0, gt=0, le=3600, description="How long it may take over one file.")

    cheap_passwords: ClassVar[bool] = False  # no setting of a plant's: what is installed for a test or a measure says so in its own code

    @field_validator("database_url", "read_url", "owner_url")
    @classmethod
    def _leads_to_a_database_we_know(cls, url: str, info: ValidationInfo) -> str:
        """What it leads to may be away for a while; how it is written is looked at once. It may have a password, which is not repeated."""
        if url:
            _must_be_known(url, ["sqlite", *_POSTGRESQL] if info.field_name == "database_url" else _POSTGRESQL)
        return url

    @field_validator("scanner")
    @classmethod
    def _names_the_file(cls, command: str) -> str:
        if command and not any(THE_FILE in part for part in shlex.split(command)[1:]):  # else it looks at nothing, and is content
            raise ValueError(f"no argument of it is the file: write {THE_FILE} where its path belongs")
        return command

    @property
    def url(self) -> str:
        return self.database_url or f"sqlite:///{(self.data_dir / 'reelroot.db').absolute()}"


_POSTGRESQL = ["postgresql", "postgresql+psycopg"]


def _must_be_known(url: str, kinds: list[str]) -> None:
    from sqlalchemy import make_url
    from sqlalchemy.exc import ArgumentError

    try:
        parsed = make_url(url)
    except (ArgumentError, ValueError):
        raise ValueError(f"it is no URL as SQLAlchemy reads them, like {_POSTGRESQL[-1]}://role:password@host/database") from None
    if parsed.drivername not in kinds:
        raise ValueError(f"it begins with {parsed.drivername}, and what is known here is {' and '.join(kinds)}")
    if parsed.drivername != "sqlite":
        import psycopg
        from psycopg.conninfo import make_conninfo

        try:
            make_conninfo(**{option: str(value) for option, value in parsed.query.items()})
        except psycopg.ProgrammingError as error:
            raise ValueError(f"of what follows its ?, PostgreSQL's driver says: {error}") from None
