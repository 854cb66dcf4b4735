# make install: the environment alone. make demo: also a database, an invented factory, one worked trace, then the pages. make test: everything that is checked.
# Every command may be run again: what stands is kept.
PYTHON ?= $(shell for p in python3.13 python3.12 python3.11 python3; do \
	$$p -c 'import ensurepip, sys, venv; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1 && { echo $$p; break; }; done)
VENV := .venv
BIN := $(VENV)/bin
SERVE ?= 1
DATA ?= data/demo
PYTEST ?= -n 2
# where it is set, each process that the tests start would compile the program anew
unexport PYTHONDONTWRITEBYTECODE
LINT = ( status=0; $(BIN)/ruff check --quiet --output-format concise . || status=1; $(BIN)/mypy app $(if $(wildcard seed_demo/*.py),seed_demo) || status=1; exit $$status )

.PHONY: install demo test lint lock audit fuzz migration pictures clean python

install: $(VENV)/runtime

demo: $(VENV)/runtime
	$(BIN)/reelroot demo --data $(DATA) $(if $(filter 0,$(SERVE)),--no-serve,)

# lint beside the tests, which leave a core waiting now and then; they run even when it finds something, and their closing line comes last
test: $(VENV)/tests
	@status=0; $(LINT) & lint=$$!; \
	echo "Testing (some minutes; each dot is a test)"; $(BIN)/python -m pytest $(PYTEST) || status=1; wait $$lint || status=1; exit $$status

lint: $(VENV)/tests
	@$(LINT)

python:
	@test -n "$(PYTHON)" || { echo "Reelroot needs Python 3.11 or later with its venv module, and none is on the path."; \
	echo "Install it (on Debian: python3 and python3-venv), or name one: make PYTHON=/path/to/python3"; exit 1; }

# a stamp, so that an environment that was cut short is finished the next time
$(VENV)/made: | python
	@echo "Making the environment with $(PYTHON)"
	@$(PYTHON) -m venv $(VENV)
	@touch $@

# uv is quicker where it is; pip does the same
define install
	@if command -v uv >/dev/null 2>&1; then \
		uv pip install --python $(BIN)/python --require-hashes -r $(1) && \
		uv pip install --python $(BIN)/python --no-deps --no-build-isolation -e .; \
	else \
		$(BIN)/python -m pip install --disable-pip-version-check --progress-bar on --require-hashes -r $(1) && \
		$(BIN)/python -m pip install --disable-pip-version-check --quiet --no-deps --no-build-isolation -e .; \
	fi
	@touch $@
endef

$(VENV)/runtime: requirements.txt pyproject.toml | $(VENV)/made
	@echo "Installing what the program needs (under a minute)"
	$(call install,requirements.txt)

$(VENV)/tests: requirements-test.txt pyproject.toml | $(VENV)/made
	@echo "Installing what the tests need (about a minute)"
	$(call install,requirements-test.txt)
	@touch $(VENV)/runtime

# one lock for every Python from 3.11 on, with digests and without addresses
COMPILE = PATH="$(BIN):$$PATH" uv pip compile pyproject.toml --universal --generate-hashes --no-emit-index-url --no-annotate --no-header --quiet
lock: $(VENV)/made
	@command -v uv >/dev/null 2>&1 || test -x $(BIN)/uv || $(BIN)/python -m pip install --quiet uv
	$(COMPILE) -o requirements.txt
	$(COMPILE) --extra test -c requirements.txt -o requirements-test.txt
	$(COMPILE) --extra test --extra fuzz -c requirements-test.txt -o requirements-fuzz.txt

$(VENV)/fuzz: requirements-fuzz.txt pyproject.toml | $(VENV)/made
	@echo "Installing what coverage-guided fuzzing needs; not every Python has a wheel of it"
	$(call install,requirements-fuzz.txt)
	@touch $(VENV)/tests $(VENV)/runtime

# coverage-guided fuzzing of every reader, or of one: make fuzz READERS=logger N=1000000
READERS ?= die-map-e142 die-map-g85 die-map-text die-map-csv placement-log logger unit-results
N ?= 100000
fuzz: $(VENV)/fuzz
	@for reader in $(READERS); do $(BIN)/python -m benchmarks.fuzz $$reader --n $(N) --guided || exit 1; done

# what is installed against the published advisories; where they can't be reached it says so, and that is no success
audit: $(VENV)/tests
	@$(BIN)/python -m benchmarks.audit

migration: $(VENV)/tests
	@test -n "$(name)" || { echo "Say what it does: make migration name=what_changes"; exit 1; }
	@$(BIN)/python -c "import sys, tempfile; from pathlib import Path; from app.db import House; from app.migrate import new_revision, upgrade; \
	from app.settings import Settings; house = House(Settings(data_dir=Path(tempfile.mkdtemp()))); upgrade(house); new_revision(house, sys.argv[1])" "$(name)"

# the README's pictures, from the demo, in a real browser
pictures: $(VENV)/tests
	$(BIN)/reelroot demo --data $(DATA) --no-serve
	PYTHONPATH=. $(BIN)/python docs/pictures.py $(DATA)

clean:
	rm -rf $(VENV) data
