# Everything a newcomer or the build server needs. `make` alone lists the targets.
# Each target builds what it needs in its own virtual environment, `.venv`.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
DEMO ?= demo-mission
SEED ?= 1
PIP := $(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt

.DEFAULT_GOAL := help
.PHONY: help setup demo test quick test-browser check fix bench coverage docs clean

help: ## list the targets
	@grep -hE '^[a-z-]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/^([a-z-]+):.*## /\1|/' | awk -F'|' '{printf "  make %-14s %s\n", $$1, $$2}'

$(BIN)/python:
	$(PYTHON) -m venv $(VENV)

$(VENV)/runtime.stamp: pyproject.toml constraints.txt | $(BIN)/python
	$(PIP) -e .
	@touch $@

$(VENV)/test.stamp: $(VENV)/runtime.stamp
	$(PIP) -e '.[test]'
	@touch $@

$(VENV)/dev.stamp: $(VENV)/test.stamp
	$(PIP) -e '.[test,bench,dev]'
	@touch $@

setup: $(VENV)/runtime.stamp ## install the package into .venv

demo: $(VENV)/runtime.stamp ## rehearse an invented 36 h mission, analyse it, leave a report in demo-mission/
	rm -rf $(DEMO)
	$(BIN)/reeftally demo $(DEMO) --seed $(SEED)

test: $(VENV)/test.stamp ## run all tests
	$(BIN)/python -m pytest -n 2 --dist loadfile -q

quick: $(VENV)/test.stamp ## run the tests that take no more than a few seconds each
	$(BIN)/python -m pytest -n 2 --dist loadfile -q -m 'not slow and not browser'

$(VENV)/browser.stamp: $(VENV)/test.stamp
	$(PIP) -e '.[test,browser]'
	@touch $@

test-browser: $(VENV)/browser.stamp ## run the tests that open pages in Chromium (Debian: apt-get install chromium)
	$(BIN)/python -m pytest -q -m browser

check: $(VENV)/dev.stamp ## lint, format, types, import contracts, changelog fragments
	$(BIN)/ruff check src tests benchmarks
	$(BIN)/ruff format --check src tests benchmarks
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/python docs/check_fragments.py

fix: $(VENV)/dev.stamp ## format, and mend what the linter can mend
	$(BIN)/ruff check --fix src tests benchmarks
	$(BIN)/ruff format src tests benchmarks

bench: $(VENV)/dev.stamp ## run every benchmark; each prints ratios to a baseline of the same run
	@for script in benchmarks/bench_*.py; do echo "== $$script"; $(BIN)/python $$script || exit 1; done

COVERAGE ?= benchmarks/out/coverage.jsonl
WORKERS ?= 2

coverage: $(VENV)/runtime.stamp ## rehearse 200 missions and count how often intervals hold the truth (an hour or more; goes on where it stopped)
	$(BIN)/python benchmarks/coverage_study.py --missions 200 --workers $(WORKERS) --out $(COVERAGE) --page docs/coverage.md

docs: $(VENV)/runtime.stamp ## renew the generated pages under docs/ (their tests compare them)
	$(BIN)/python docs/make_pages.py

clean: ## remove the virtual environment and the demo
	rm -rf $(VENV) $(DEMO)
