"""A bare app on the same libraries, for the start: one page, one connection to the database, one template.

python -m benchmarks.bare_app DATABASE_URL PORT
"""

import sys

import alembic.command
import argon2
import duckdb
import lxml.etree
import numpy
import scipy.sparse.csgraph
import shapely
import uvicorn
from fastapi import FastAPI
from fastapi.responses import HTMLResponse
from jinja2 import Environment
from sqlalchemy import create_engine, text

LIBRARIES = (alembic, argon2, duckdb, lxml, numpy, scipy, shapely)
app = FastAPI()
engine = create_engine(sys.argv[1])
template = Environment(autoescape=True).from_string("<!doctype html><title>Bare</title><p>{{ n }} entries")


@app.get("/")
def first() -> HTMLResponse:
    with engine.connect() as connection:
        return HTMLResponse(template.render(n=connection.execute(text("select max(id) from entry")).scalar()))


if __name__ == "__main__":
    uvicorn.run(app, host="127.0.0.1", port=int(sys.argv[2]), access_log=False, log_level="warning")
