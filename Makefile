# Makeweight: everything a developer or a CI machine does starts here. Needs make and Python 3.11 or newer;
# each target makes what it needs, .venv included.

VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed

# The first interpreter that runs and is new enough; 3.11 comes first since requirements.lock was made with it.
# `make install PYTHON=/path/to/python` overrules the choice.
PYTHON ?= $(shell for p in python3.11 python3.12 python3.13 python3.14 python3; do \
	if $$p -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then echo $$p; break; fi; done)

# More arguments for pytest: make test PYTEST_ARGS="tests/unit -x"
PYTEST_ARGS ?=

PIP_INSTALL := -m pip install --quiet --disable-pip-version-check --no-input

# Says why an interpreter can't be used before pip or venv fail in their own words.
define check_python
@test -n "$(PYTHON)" || { echo "No Python 3.11 or newer found: install one, or name it with PYTHON=…" >&2; exit 1; }
@"$(PYTHON)" -c 'import sys; sys.exit("$(PYTHON) is Python %d.%d; Makeweight needs 3.11 or newer: name one with PYTHON=…" % sys.version_info[:2] if sys.version_info < (3, 11) else 0)'
@"$(PYTHON)" -c 'import ensurepip, venv' 2>/dev/null || { echo "$(PYTHON) can't make environments: install its venv package (python3-venv on Debian)" >&2; exit 1; }
endef

.DEFAULT_GOAL := help
.DELETE_ON_ERROR:
.PHONY: help install demo demo-board demo-kafka test check format bench calibrate faults fuzz sim schemas diagrams lock clean

help: ## this list
	@echo "make TARGET, where TARGET is one of"
	@awk -F ':.*## ' '/^[a-z-]+:.*## / { printf "  %-11s %s\n", $$1, $$2 }' $(firstword $(MAKEFILE_LIST))

install: $(STAMP) ## make .venv with the command .venv/bin/makeweight and the tools, once
	@echo "ready: $(BIN)/makeweight"

# The stamp comes last, so an install that broke off is done again.
$(STAMP): pyproject.toml requirements.lock requirements-data.lock
	$(check_python)
	@echo "installing into $(VENV) (about a minute the first time) …"
	@test -x $(BIN)/python || "$(PYTHON)" -m venv $(VENV)
	@$(BIN)/python $(PIP_INSTALL) -c requirements.lock -e '.[dev]'
	@$(BIN)/python $(PIP_INSTALL) --no-deps -r requirements-data.lock
	@touch $@

demo: $(STAMP) ## play a busy day of a shop and show what happened
	@$(BIN)/python -m deploy.demo.play

demo-board: $(STAMP) ## the same day live, beside a board in the browser (BOARD="--speed 60 --start 08:30")
	@$(BIN)/python -m deploy.demo.play_board $(BOARD)

demo-kafka: $(STAMP) ## the same day through Kafka and two workers, one killed, and compared
	@$(BIN)/python -m deploy.demo.play_kafka

test: check ## everything that CI runs: check, then the tests of every tier
	@echo "tests …"
	@$(BIN)/python -m pytest $(PYTEST_ARGS)

check: $(STAMP) ## format, lint, types and layers, without running the tests
	@echo "format …"
	@$(BIN)/ruff format --quiet --diff .
	@echo "lint …"
	@$(BIN)/ruff check --quiet .
	@echo "types …"
	@$(BIN)/mypy --no-error-summary
	@echo "layers …"
	@$(BIN)/lint-imports --no-logo

format: $(STAMP) ## put the code into its one format and mend what the linter can
	@$(BIN)/ruff check --quiet --fix-only .
	@$(BIN)/ruff format .

bench: $(STAMP) ## measure, and print tables with ratios
	@$(BIN)/python -m tests.bench

calibrate: $(STAMP) ## forecast run-outs on replayed history, for a minute, and say how often the clock was right
	@$(BIN)/python -m tests.calibration

sim: $(STAMP) ## both stages under faults on a broker in memory, by seed (RUNS=1000)
	@$(BIN)/python -m tests.simulation --runs $(or $(RUNS),1000)

faults: $(STAMP) ## let a real broker and real workers fail, for minutes, and check what is left (FAULTS="--seed 7")
	@$(BIN)/python -m tests.faults $(FAULTS)

fuzz: $(STAMP) ## search each decoder for ten seconds, guided by coverage (needs the extra `fuzz`)
	@$(BIN)/python -m tests.fuzz --seconds 10

schemas: $(STAMP) ## write schemas/ anew from the models
	@$(BIN)/makeweight schemas --out schemas

diagrams: $(STAMP) ## draw the state machines of DEVELOPERS.md anew from their tables
	@$(BIN)/python -m tests.support.diagrams

# From an environment of its own, so that nothing installed by hand gets in.
lock: ## make requirements.lock anew with the newest versions that fit
	$(check_python)
	@echo "resolving in a clean environment …"
	@tmp=$$(mktemp -d) && trap 'rm -rf "$$tmp"' EXIT && \
	"$(PYTHON)" -m venv "$$tmp" && \
	"$$tmp/bin/python" $(PIP_INSTALL) '.[dev]' && \
	"$$tmp/bin/python" -m pip --disable-pip-version-check freeze --exclude makeweight > "$$tmp/lock" && \
	{ echo "# Made by 'make lock': what 'make install' and CI use, as pip constraints."; cat "$$tmp/lock"; } > requirements.lock
	@echo "requirements.lock is new: make test, then commit it"

clean: ## remove .venv, caches and build output
	@rm -rf $(VENV) .mypy_cache .pytest_cache .ruff_cache .import_linter_cache .hypothesis build dist
	@find . -name __pycache__ -type d -prune -exec rm -rf {} +
