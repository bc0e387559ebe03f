# `make` alone says what there is. Everything runs in .venv, which `make setup` makes and keeps to the lock file.
SHELL := /bin/bash
BIN := .venv/bin
ARGS ?=
# Tests wait more than they work; three at a time suit two cores.
WORKERS ?= 3

.DEFAULT_GOAL := help
.PHONY: help setup demo test check fmt bench torture soak fuzz evaluate week causes determinism calibrate words asyncapi observing licences sbom audit lock clean

help:  ## Say what there is
	@echo "Earlybell: which supply slot runs empty, how many panels from now."
	@echo
	@awk -F ':.*## ' '/^[a-z]+:.*## / {printf "  make %-11s %s\n", $$1, $$2}' $(MAKEFILE_LIST)
	@echo
	@echo "demo, test, bench, torture, soak, fuzz, evaluate, week and calibrate take ARGS=\"…\", for example: make test ARGS=\"-m unit -x\""

setup: .venv/installed  ## Make .venv from the lock file, with the project in it

.venv/installed: requirements-dev.lock pyproject.toml scripts/setup
	@scripts/setup
	@touch $@

demo: setup  ## A made-up line, a broker and the service, until Ctrl-C; prints the page's address
	@$(BIN)/earlybell demo $(ARGS)

test: setup  ## Run all tests (needs mosquitto, Node, chromium; as root they are installed)
	@scripts/ensure-tools
	$(BIN)/python -m pytest -n $(WORKERS) --dist loadfile --no-loadscope-reorder $(ARGS)

check: setup  ## Lint, format, types, layers, lock file, licences; known vulnerabilities where the index answers
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/python -m pytest -q tests/architecture
	$(BIN)/python -m tests.supplied.audit

fmt: setup  ## Put the code in the house's format and mend what can be mended
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

bench: setup  ## Measure ingest, latency, forecast and replay against their bounds
	@scripts/ensure-tools
	$(BIN)/python -m tests.bench $(ARGS)

torture: setup  ## Kill everything at random for 20 minutes; count what is lost or doubled (ARGS="--minutes 2")
	@scripts/ensure-tools
	$(BIN)/python -m tests.torture $(ARGS)

soak: setup  ## An hour at 500 messages a second in which everything fails: lost? doubled? memory flat? (ARGS="--minutes 5")
	@scripts/ensure-tools
	$(BIN)/python -m tests.evaluation.soak $(ARGS)

fuzz: setup  ## Feed each decoder bytes nobody thought of (ARGS="--seconds 600")
	$(BIN)/python -m tests.fuzz $(ARGS)

evaluate: setup  ## What the bell is worth on the frozen scenarios, over fresh seeds (some minutes)
	$(BIN)/python -m tests.evaluation $(ARGS)

week: setup  ## A week of four lines in shifts: stops by towers, warnings, plan; messages (an hour; ARGS="--hours 24")
	$(BIN)/python -m tests.evaluation.week $(ARGS)

causes: setup  ## Why stations stood, found against the simulator's truth, on nine plants (ten minutes; ARGS="--hours 4")
	$(BIN)/python -m tests.evaluation.causes $(ARGS)

determinism: setup  ## An eight-hour shift replayed ten ways on both databases: all alike? (some minutes)
	@scripts/ensure-tools
	$(BIN)/python -m tests.evaluation.determinism $(ARGS)

calibrate: setup  ## Does the forecast keep its promise, on made-up supplies (some minutes; ARGS="--tune" while tuning)
	$(BIN)/python -m tests.calibrate $(ARGS)

words: setup  ## Gather every text for people into the catalogues; names what a language lacks
	$(BIN)/python -m tests.words

asyncapi: setup  ## Write deploy/asyncapi.yaml, the description of our MQTT contract, from the code's types
	$(BIN)/python -m tests.asyncapi

observing: setup  ## Write the tables of deploy/observing.md and the dashboard from what is declared
	$(BIN)/python -m tests.observing

licences: setup  ## Write deploy/licences.md: under which licence each locked package comes
	$(BIN)/python -m tests.supplied.licences > deploy/licences.md

sbom: setup  ## Write dist/earlybell.cdx.json, the bill of materials of what is shipped (CycloneDX)
	@mkdir -p dist
	$(BIN)/python -m tests.supplied.bill > dist/earlybell.cdx.json

audit: setup  ## Is a vulnerability known in a locked package? (part of check)
	$(BIN)/python -m tests.supplied.audit

lock:  ## Resolve pyproject.toml into the lock files (UPGRADE=1 for newer versions)
	scripts/lock

clean:  ## Remove .venv, caches and what tests and demo left
	rm -rf .venv build dist var .hypothesis .pytest_cache .mypy_cache .ruff_cache .import_linter_cache
	find service simulators tests alembic -name __pycache__ -type d -prune -exec rm -rf {} +
