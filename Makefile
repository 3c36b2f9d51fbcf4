# make demo: the main job on the demo recordings, then the page.   make test: every check.
# Both make their own environment in .venv with python3 (3.11 or newer; another: make test PYTHON=python3.12).

PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin

.PHONY: demo test recordings clean

demo: $(VENV)/.installed
	$(BIN)/cupbow measure recordings
	$(BIN)/cupbow demo

test: $(VENV)/.installed-test
	$(BIN)/python -m pytest -n auto --dist loadfile

recordings: $(VENV)/.installed
	$(BIN)/python -m imu.simulate recordings

$(VENV)/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit(None if sys.version_info >= (3, 11) else f"cupbow needs Python 3.11 or newer; $(PYTHON) is {sys.version.split()[0]}: make PYTHON=python3.12 …")'
	$(PYTHON) -m venv $(VENV)

$(VENV)/.installed: pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable .
	@touch $@

$(VENV)/.installed-test: pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[test]'
	@touch $@ $(VENV)/.installed

clean:
	rm -rf $(VENV) build dist *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis artefacts
