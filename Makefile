# The only commands a contributor needs; CI runs the same ones.
PYTHON ?= python3
BIN := .venv/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check install --progress-bar off
# Half the machine's tests wait for real programs (browser, broker), so one worker a core keeps both busy.
WORKERS ?= 2

.PHONY: demo venv test quick lint bench clean

demo: venv
	@$(BIN)/tapwright demo

venv: .venv/.installed
	@:

.venv/.installed: requirements.lock pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "tapwright needs Python 3.11 or newer: make PYTHON=/path/to/python3.11"; exit 2; }
	@echo "Setting up .venv (once): making the environment ..."
	@$(PYTHON) -m venv .venv
	@echo "Setting up .venv: installing the pinned libraries of requirements.lock, a minute or two ..."
	@$(PIP) --quiet --require-hashes -r requirements.lock
	@$(PIP) --quiet --no-deps --no-build-isolation -e .
	@touch $@
	@echo "Ready: $(BIN)/tapwright"

.venv/.installed-test: .venv/.installed requirements-test.lock tests/node/package-lock.json
	@echo "Setting up .venv: installing what the tests need ..."
	@$(PIP) --quiet --require-hashes -r requirements-test.lock
	@if command -v npm >/dev/null; then echo "Setting up tests/node: MicroPython and the accessibility checker ..."; \
	  cd tests/node && npm ci --silent --no-fund --no-audit; \
	else echo "No npm here: tests that need MicroPython or the accessibility checker will be skipped."; fi
	@touch $@

test: .venv/.installed-test
	@echo "All tests, $(WORKERS) workers; what a missing program skips is listed at the end."
	@$(BIN)/python -m pytest -q -n $(WORKERS) --dist worksteal

quick: .venv/.installed-test
	@$(BIN)/python -m pytest -q -n $(WORKERS) -m "not slow"

lint: .venv/.installed-test
	@$(BIN)/ruff check src tests benchmarks scripts
	@$(BIN)/mypy

bench: .venv/.installed-test
	@$(BIN)/python -m benchmarks

clean:
	rm -rf .venv .hypothesis .ruff_cache .mypy_cache src/*.egg-info
