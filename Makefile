VENV := .venv
PYTHON ?= python3
PY := $(VENV)/bin/python
INSTALLED := $(VENV)/.installed
EQUIPPED := $(VENV)/.equipped
export PIP_DISABLE_PIP_VERSION_CHECK := 1
# Compiled code is kept: collecting the tests then takes half the time.
export PYTHONDONTWRITEBYTECODE :=

.PHONY: demo test check lint format clean

demo: $(INSTALLED)
	$(VENV)/bin/earwitness demo

# Everything: what a change must pass. A test that cannot run fails.
test: lint
	sh tests/install_system_parts.sh
	$(PY) -m pytest --numprocesses 2

# Under a minute: before each commit.
check: lint
	$(PY) -m pytest --numprocesses 2 -m "not slow"

lint: $(EQUIPPED)
	$(VENV)/bin/ruff format --check .
	$(VENV)/bin/ruff check .
	$(VENV)/bin/mypy
	$(VENV)/bin/lint-imports

format: $(EQUIPPED)
	$(VENV)/bin/ruff format .
	$(VENV)/bin/ruff check --fix .

clean:
	rm -rf $(VENV)

# The program alone, and the program with what tests and checks need.
$(INSTALLED): pyproject.toml constraints.txt
	$(PYTHON) -m venv $(VENV)
	$(PY) -m pip install --quiet --constraint constraints.txt --editable .
	touch $@

$(EQUIPPED): $(INSTALLED)
	$(PY) -m pip install --quiet --constraint constraints.txt --editable '.[dev]'
	touch $@
