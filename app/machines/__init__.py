"""The JSON API: the same actions and questions as the pages, described by its OpenAPI document. Start with `calls.py`."""
