"""Every route of the app with what it takes, filled in from its own declaration: for walks by every duty and with every kind of bad input."""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from fastapi import FastAPI
from fastapi.routing import APIRoute
from starlette.routing import Mount, Route

PUBLIC = {"/static", "/sign-in", "/sign-out", "/first/{secret}", "/api", "/api/v1/openapi.json"}


@dataclass(frozen=True)
class Way:
    """A method and path with parameters, and a request that its declaration takes."""

    method: str
    path: str
    sent: dict[str, Any] = field(default_factory=dict)
    filled: str = ""

    @property
    def route(self) -> str:
        return f"{self.method} {self.path}"

    @property
    def is_call(self) -> bool:
        return self.path.startswith("/api/")


def ways(app: FastAPI) -> Iterator[Way]:
    """Every method and path that is not public."""
    document = app.openapi()
    for route in leaves(app.routes):
        if isinstance(route, Mount) or getattr(route, "path", "") in PUBLIC:
            assert route.path in PUBLIC, f"{route.path} is mounted and not on the list"
            continue
        assert isinstance(route, Route | APIRoute), route
        for method in sorted((route.methods or set()) - {"HEAD"}):
            if route.path.startswith("/api/"):
                yield _call(document, method, route.path)
            else:
                assert isinstance(route, APIRoute)
                yield _page(method, route)


def leaves(found: Iterable[Any]) -> Iterator[Any]:
    """FastAPI keeps an included router as one route of its own."""
    for route in found:
        inner = getattr(route, "original_router", None)
        yield from leaves(inner.routes) if inner is not None else [route]


def _call(document: dict[str, Any], method: str, path: str) -> Way:
    operation = document["paths"][path][method.lower()]
    filled, sent = path, {}
    for one in operation.get("parameters", []):
        example = one.get("example") or _example(document, one["schema"])
        if one["in"] == "path":
            filled = filled.replace(f"{{{one['name']}}}", str(example))
        elif one.get("required"):
            sent.setdefault("params", {})[one["name"]] = example
    if "requestBody" in operation:
        kind, content = next(iter(operation["requestBody"]["content"].items()))
        if kind == "application/json":
            sent["json"] = content["example"]
        elif kind.startswith("multipart/"):
            sent |= _multipart(document, content)
        else:
            sent |= {"content": b"x", "headers": {"content-type": kind}}
    return Way(method, path, sent, filled)


def _multipart(document: dict[str, Any], content: dict[str, Any]) -> dict[str, Any]:
    data: dict[str, Any] = {}
    files = []
    schema = resolved(document, content["schema"])
    for name in schema.get("required", []):
        one = resolved(document, schema["properties"][name])
        if one.get("type") == "array" or one.get("contentMediaType") or one.get("format") == "binary":
            files.append((name, ("x.txt", b"x")))
        else:
            data[name] = _example(document, one)
    return {"data": data, "files": files}


def _page(method: str, route: APIRoute) -> Way:
    filled = re.sub(r"\{[^}]+\}", "1", route.path)
    if method != "POST":
        return Way(method, route.path, {}, filled)
    files, data = [], {}
    for one in route.dependant.body_params:
        if "UploadFile" in str(one.field_info.annotation):
            files.append((one.alias, ("x.txt", b"x")))
        else:
            data[one.alias] = "11111111"
    return Way(method, route.path, {"data": data} | ({"files": files} if files else {}), filled)


def _example(document: dict[str, Any], schema: dict[str, Any]) -> Any:
    schema = resolved(document, schema)
    if schema.get("examples"):
        return schema["examples"][0]
    for several in ("anyOf", "oneOf"):
        if several in schema:
            return _example(document, schema[several][0])
    if "enum" in schema:
        return schema["enum"][0]
    return {"integer": 57, "number": 1.5, "boolean": False}.get(schema.get("type", ""), "x")


def resolved(document: dict[str, Any], schema: dict[str, Any]) -> dict[str, Any]:
    while "$ref" in schema:
        schema = document["components"]["schemas"][schema["$ref"].rsplit("/", 1)[1]]
    return schema
