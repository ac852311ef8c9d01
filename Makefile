# Everything sets itself up: a virtual environment in .venv, made anew only when pyproject.toml changes.
# `make PYTHON=/path/to/python3.12 ...` chooses the interpreter; 3.10 or newer is needed.

PYTHON ?= $(shell for p in python3 python3.14 python3.13 python3.12 python3.11 python3.10; do \
	"$$p" -c 'import sys; sys.exit(sys.version_info < (3, 10))' 2>/dev/null && { echo "$$p"; break; }; done)
VENV = .venv
BIN = $(VENV)/bin
PIP = $(BIN)/python -m pip --disable-pip-version-check
READY = $(VENV)/ready
READY_REFERENCE = $(VENV)/ready-reference
OUT = demo-out
BOARD_OUT = board-out

# PyBaMM sends usage data unless told not to.
export PYBAMM_DISABLE_TELEMETRY = true

help:
	@echo 'make demo            ride the example rig on the simulated board; writes $(OUT)/'
	@echo 'make test            all tests, but for those that need the extra `reference`'
	@echo 'make test-reference  those tests, after installing PyBaMM (some 650 MB)'
	@echo 'make board           write what goes onto a board to $(BOARD_OUT)/'
	@echo 'make check           ruff and pyright'
	@echo 'make tables          print the tables of hardware_notes/ and DEVELOPERS.md anew'
	@echo 'make bench           measure speed'
	@echo 'make coverage        how often the truth lies within what a calibration states: 1,200 simulated boxes, minutes'
	@echo 'make clean           remove .venv, $(OUT)/ and what tools left behind'

demo: $(READY)
	$(BIN)/barbox demo --out $(OUT)

test: $(READY)
	$(BIN)/python -m pytest -n auto

test-reference: $(READY_REFERENCE)
	$(BIN)/python -m pytest -m reference -n auto --dist loadgroup

check: $(READY)
	$(BIN)/ruff check .
	$(BIN)/python tools/stubs.py
	$(BIN)/pyright
	$(BIN)/pyright -p pyright-firmware.json

board: $(READY)
	$(BIN)/python tools/board.py $(BOARD_OUT)

tables: $(READY)
	$(BIN)/python tools/tables.py

bench: $(READY)
	$(BIN)/python tests/bench/run.py

coverage: $(READY)
	$(BIN)/python tests/board/calibration_coverage.py

clean:
	rm -rf $(VENV) $(OUT) $(BOARD_OUT) .pytest_cache .hypothesis .ruff_cache build dist
	find firmware shared_proto host tests tools -name __pycache__ -type d -prune -exec rm -rf {} +

$(READY): pyproject.toml
	@test -n '$(PYTHON)' || { echo 'barbox needs Python 3.10 or newer: install it, or call make PYTHON=/path/to/it' >&2; exit 1; }
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 10))' || \
		{ echo 'barbox needs Python 3.10 or newer; $(PYTHON) is older or missing' >&2; exit 1; }
	@$(BIN)/python -m pip --version >/dev/null 2>&1 || $(PYTHON) -m venv $(VENV) || \
		{ echo 'Python cannot make virtual environments here; on Debian or Ubuntu: sudo apt install python3-venv' >&2; exit 1; }
	$(PIP) install --quiet -e '.[dev]'
	@touch $@

$(READY_REFERENCE): $(READY)
	$(PIP) install --quiet -e '.[dev,reference]'
	@touch $@

.PHONY: help demo test test-reference check board tables bench coverage clean
