"""Fields of forms, paths and queries that fit what the databases hold."""

from typing import Annotated

from fastapi import Form
from pydantic import AfterValidator, Field


def _line(text: str) -> str:
    if not text.isprintable():
        raise ValueError("it has control characters; type it without them")
    return text


Line = Annotated[str, Form(max_length=200), AfterValidator(_line)]  # a field of a form; PostgreSQL takes no zero byte
Number = Annotated[int, Field(ge=0, lt=2**63)]  # of a row, in a path or query: what the databases count to
FormNumber = Annotated[int, Form(ge=0, lt=2**63)]  # the same in a form
