# make demo: environment, database, an invented factory, one worked trace, then the pages. make test: everything that is checked.
PYTHON ?= $(shell for p in python3.13 python3.12 python3.11 python3; do command -v $$p >/dev/null 2>&1 && $$p -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null && { echo $$p; break; }; done)
VENV := .venv
BIN := $(VENV)/bin
SERVE ?= 1
DATA ?= data/demo
PYTEST ?= -n 2

.PHONY: demo test lint lock migration clean python

demo: $(VENV)/runtime
	$(BIN)/reelroot demo --data $(DATA) $(if $(filter 0,$(SERVE)),--no-serve,)

test: $(VENV)/tests lint
	$(BIN)/python -m pytest $(PYTEST)

lint: $(VENV)/tests
	$(BIN)/ruff check app migrations tests seed_demo benchmarks
	$(BIN)/mypy

python:
	@test -n "$(PYTHON)" || { echo "Reelroot needs Python 3.11 or later, and none is on the path: install python3."; exit 1; }

$(VENV)/bin/python: | python
	@echo "Making the environment with $(PYTHON)"
	$(PYTHON) -m venv $(VENV)

# uv is quicker where it is; pip does the same
define install
	@if command -v uv >/dev/null 2>&1; then VIRTUAL_ENV=$(VENV) uv pip install --require-hashes -r $(1) && VIRTUAL_ENV=$(VENV) uv pip install --no-deps --no-build-isolation -e .; \
	else $(BIN)/python -m pip install --progress-bar on --require-hashes -r $(1) && $(BIN)/python -m pip install --no-deps --no-build-isolation -e .; fi
	@touch $@
endef

$(VENV)/runtime: requirements.txt pyproject.toml | $(VENV)/bin/python
	@echo "Installing what the program needs (under a minute)"
	$(call install,requirements.txt)

$(VENV)/tests: requirements-test.txt pyproject.toml | $(VENV)/bin/python
	@echo "Installing what the tests need (about a minute)"
	$(call install,requirements-test.txt)
	@touch $(VENV)/runtime

lock:
	uv pip compile pyproject.toml --universal --generate-hashes --no-emit-index-url --no-annotate --no-header -o requirements.txt
	uv pip compile pyproject.toml --extra test -c requirements.txt --universal --generate-hashes --no-emit-index-url --no-annotate --no-header -o requirements-test.txt

migration: $(VENV)/tests
	$(BIN)/python -c "import sys, tempfile; from pathlib import Path; from app.db import House; from app.migrate import new_revision, upgrade; from app.settings import Settings; house = House(Settings(data_dir=Path(tempfile.mkdtemp()))); upgrade(house); new_revision(house, sys.argv[1])" "$(name)"

clean:
	rm -rf $(VENV) data
