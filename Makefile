# Two commands do all set-up: `make demo` and `make test`. Everything stays in .venv/ and out/.
PYTHON ?= python3
VENV   := .venv
BIN    := $(VENV)/bin
PIP    := $(BIN)/pip --disable-pip-version-check --quiet

.PHONY: help setup demo test verify lint bench faults clean

help:
	@echo "make demo    watch one invented day: the frame airs itself, the lid jams, the phone hears it"
	@echo "make test    run all quick checks (lint, types, tests)"
	@echo "make verify  run the slow checks too"
	@echo "make bench   speed and size figures, one JSON line each"
	@echo "make faults  the fault table: every fault in sun and in frost"
	@echo "make setup   only make the private Python environment in .venv/"

$(VENV)/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "Sashkeeper needs Python 3.11 or newer; '$(PYTHON)' is older. Install one and run: make PYTHON=python3.11 ..."; exit 1; }
	@$(PYTHON) -m venv $(VENV) || \
	  { echo "Python's venv module is missing. On Debian: apt install python3-venv"; exit 1; }

$(VENV)/.demo-ready: pyproject.toml | $(VENV)/bin/python
	@echo "Setting up for the demo in $(VENV)/ (once, a minute or two) ..."
	@$(PIP) install -e ".[demo]"
	@touch $@

$(VENV)/.dev-ready: pyproject.toml | $(VENV)/bin/python
	@echo "Setting up for tests in $(VENV)/ (once, a few minutes) ..."
	@$(PIP) install -e ".[dev]"
	@touch $@ $(VENV)/.demo-ready

setup: $(VENV)/.dev-ready

demo: $(VENV)/.demo-ready
	@$(BIN)/sashkeeper demo --out out/demo

lint: $(VENV)/.dev-ready
	@$(BIN)/ruff check .
	@$(BIN)/mypy

test: lint
	@$(BIN)/pytest -q -m "not slow" --hypothesis-profile=gate

verify: lint
	@$(BIN)/pytest -q --hypothesis-profile=search

bench: $(VENV)/.dev-ready
	@$(BIN)/python -m tests.bench

faults: $(VENV)/.dev-ready
	@$(BIN)/python -m tests.faults

clean:
	rm -rf out build dist .pytest_cache .mypy_cache .ruff_cache
