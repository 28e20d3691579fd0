VENV := .venv
PY := $(VENV)/bin/python
STAMP := $(VENV)/.installed
PYTHON ?= python3
export PIP_DISABLE_PIP_VERSION_CHECK := 1

.PHONY: demo test check format clean

$(STAMP): pyproject.toml constraints.txt
	$(PYTHON) -m venv $(VENV)
	$(PY) -m pip install --quiet --constraint constraints.txt --editable '.[dev]'
	touch $@

demo: $(STAMP)
	$(VENV)/bin/earwitness demo

test: check
	sh tests/install_system_parts.sh
	$(PY) -m pytest -n 2

check: $(STAMP)
	$(VENV)/bin/ruff format --check .
	$(VENV)/bin/ruff check .
	$(VENV)/bin/mypy
	$(VENV)/bin/lint-imports
	$(PY) -m pytest -m "not slow" -n 2

format: $(STAMP)
	$(VENV)/bin/ruff format .
	$(VENV)/bin/ruff check --fix .

clean:
	rm -rf $(VENV)
