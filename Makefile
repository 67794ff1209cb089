# Everything a fresh machine needs: Python 3.11+ and make.
PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin
CONSTRAINTS := constraints.txt

.PHONY: demo test lint types check format clean

demo: $(VENV)/.installed
	$(BIN)/regenbench demo

test: $(VENV)/.installed-dev lint types
	$(BIN)/python -m pytest -n 2 --dist worksteal

lint: $(VENV)/.installed-dev
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .

types: $(VENV)/.installed-dev
	$(BIN)/mypy

format: $(VENV)/.installed-dev
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

$(VENV)/bin/python:
	$(PYTHON) -m venv $(VENV)

$(VENV)/.installed: pyproject.toml $(CONSTRAINTS) | $(VENV)/bin/python
	$(BIN)/python -m pip install -q -c $(CONSTRAINTS) -e .
	touch $@

$(VENV)/.installed-dev: pyproject.toml $(CONSTRAINTS) | $(VENV)/bin/python
	$(BIN)/python -m pip install -q -c $(CONSTRAINTS) -e '.[dev]'
	touch $(VENV)/.installed $@

clean:
	rm -rf $(VENV) .mypy_cache .ruff_cache .pytest_cache .hypothesis
