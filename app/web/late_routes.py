"""A route that the framework reads when it is first asked for. To read one is to make a validator for each of its parameters, bodies and answers;
all three hundred would be a third of the way from the command to the first page, and most are not asked for on a day.
"""

import threading
from collections.abc import Callable, Collection, Mapping
from typing import Any, get_args, get_origin

from fastapi.dependencies.models import Dependant
from fastapi.routing import APIRoute
from starlette.datastructures import QueryParams
from starlette.routing import compile_path, get_name

_reading = threading.RLock()


class LateRoute(APIRoute):
    """Has at once what an address is matched by: path, methods and name. Whatever else of it is asked for first makes it read.

    What is wrong with a handler's parameters shows no sooner: `tests/web/test_late_routes.py` reads every route of the program.
    """

    def __init__(
        self, path: str, endpoint: Callable[..., Any], *, methods: Collection[str] | None = None, name: str | None = None, **more: Any
    ) -> None:
        self.path, self.endpoint, self.name = path, endpoint, name or get_name(endpoint)
        self.methods = {method.upper() for method in methods or ["GET"]}
        self.path_regex, self.path_format, self.param_convertors = compile_path(path)
        self._unread: dict[str, Any] | None = more | {"methods": methods, "name": name}

    def __getattr__(self, name: str) -> Any:
        """Asked only for what is not there: by the first who needs it, while others wait."""
        with _reading:
            if unread := vars(self).get("_unread"):
                super().__init__(self.path, self.endpoint, **unread)
                self._unread = None
        return self.__getattribute__(name)


def parameters_of(asked: Dependant) -> dict[str, bool]:
    """Names of what a handler and whatever it depends on read of the address; true of those that may stand there several times."""
    own = {one.alias: _is_sequence(one.field_info.annotation) for one in asked.query_params}
    return own | {name: often for other in asked.dependencies for name, often in parameters_of(other).items()}


def _is_sequence(annotation: Any) -> bool:
    return any(get_origin(one) in (list, tuple) for one in (annotation, *get_args(annotation)))


def told_often(address: QueryParams, known: Mapping[str, bool]) -> list[str]:
    """What stands there several times though one alone counts: the last, which whoever asks can't know."""
    names = [name for name, _ in address.multi_items()]
    return [name for name in address if names.count(name) > 1 and not known.get(name)]
