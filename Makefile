# Everything a newcomer or a build machine needs. `make demo` and `make test` set up what they use.
PYTHON ?= python3
BIN := .venv/bin
STAMPS := .venv/.stamps
PIP := $(BIN)/python -m pip --disable-pip-version-check --quiet
export MPLBACKEND := Agg

.PHONY: demo test thorough sweep fuzz check bench bench-all format samples clean

demo: $(STAMPS)/base ## the main job on invented pictures, in a new temporary workspace
	@$(BIN)/lotproof demo --workspace "$$(mktemp -d)/workshop"

test: $(STAMPS)/test ## every test but the thorough ones; nearly ten minutes on two cores
	@$(BIN)/python -m pytest -n 2 --dist loadfile --no-loadscope-reorder

thorough: $(STAMPS)/test ## every page in a real browser: both sizes and themes, links, keyboard, accessibility; slow looks
	@$(BIN)/python -m pytest -n 2 --dist loadfile -m thorough

CASES ?= 100000
fuzz: $(STAMPS)/test ## hostile input against everything that takes any; CASES=1000 ONLY=units,photos for less
	@$(BIN)/python tests/fuzz/fuzz_run.py --cases $(CASES) --only "$(ONLY)" --seed $(or $(SEED),1)

sweep: $(STAMPS)/test ## every command broken at every point; upgrades, moves, many benches, the wheel
	@$(BIN)/python -m pytest -n 2 --dist loadfile -m sweep

check: $(STAMPS)/test ## style, types, and which room may import which
	@$(BIN)/ruff check .
	@$(BIN)/ruff format --check --quiet .
	@$(BIN)/mypy
	@$(BIN)/lint-imports --no-logo

bench: $(STAMPS)/test ## speed as ratios against plain tools, measured in the same run
	@$(BIN)/python tests/bench/run.py

bench-all: $(STAMPS)/test ## that, and what takes longer: reading, altered chips, dates, intervals, the next test, soaks, load
	@$(BIN)/python tests/bench/run.py --all

format: $(STAMPS)/test ## mend style
	@$(BIN)/ruff check --fix --quiet . ; $(BIN)/ruff format --quiet .

samples: $(STAMPS)/test ## render the sample pictures again
	@$(BIN)/python -m sample_images.render

clean: ## remove the virtual environment and caches
	@rm -rf .venv build *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis

# A machine without the ensurepip module (bare Debian) still has a pip somewhere, or says what it lacks.
.venv/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "Lotproof needs Python 3.11 or newer: make PYTHON=python3.13 $(MAKECMDGOALS)"; exit 1; }
	@$(PYTHON) -m venv .venv 2>/dev/null || { rm -rf .venv; $(PYTHON) -m venv --without-pip .venv && $(PYTHON) -m pip --python .venv/bin/python install --quiet pip; } || { echo "This Python has neither venv with pip nor pip itself: install python3-venv."; exit 1; }

$(STAMPS)/base: pyproject.toml constraints.txt | .venv/bin/python
	@echo "Setting up .venv (once; about a minute, most of it downloads) ..."
	@$(PIP) install -c constraints.txt -e .
	@mkdir -p $(STAMPS) && touch $@

$(STAMPS)/test: $(STAMPS)/base
	@echo "Setting up what the tests need ..."
	@$(PIP) install -c constraints.txt -e '.[test]'
	@mkdir -p $(STAMPS) && touch $@
