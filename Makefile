# Two commands do everything: `make demo` and `make test`. Both make their own virtual environment first.
SHELL := /bin/bash
.SHELLFLAGS := -eu -o pipefail -c
.DELETE_ON_ERROR:
.DEFAULT_GOAL := help
.PHONY: bench-alarms bench-ingest bench-lookback bench-pages bench-plan bench-report bench-rooms bench-store bench-water help demo screenshots test check environment system-packages format lint types layers unit wheel lock clean

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/made-from-lock
FOLDERS := monitor collectors alerts dashboards simulated_feeds tests
TEST_PACKAGES := mosquitto mosquitto-clients influxdb openssl chromium fonts-dejavu-core libatomic1 postgresql victoria-metrics
WORKERS ?= 2
PYTEST ?=

help:
	@echo "make demo    run a simulated cellar through 14 days, about a minute; on a terminal its pages stay until Ctrl-C"
	@echo "make test    run every check (installs test servers by apt-get, and says so first)"
	@echo "make check   the quick part: format, lint, types, layers, tests without servers"
	@echo "make bench-water   judge the tray water on simulated tray lives (SEED=n, LIVES=n), several minutes"
	@echo "make bench-alarms  judge the alarms on simulated room-weeks (SEED=n, WEEKS=n, LOOK=minutes; WEEK=k prints one)"
	@echo "make bench-plan    plan 8 weeks of a simulated farm of 50 crops and 200 promises (SEED=n), seconds"
	@echo "make bench-lookback  judge the look-back on simulated bad batches (SEED=n, CASES=n), some minutes"
	@echo "make bench-report  time a look-back on a large store (READINGS=n, FOLDER=path keeps it)"
	@echo "make bench-pages   ask for the pages of a simulated farm of 300 trays (SEED=n), half a minute"
	@echo "make screenshots   picture every page in Chromium, phone and desk, by day and by night, into screenshots/"
	@echo "make bench-ingest  readings a second over a real broker, beside a bare callback (READINGS=n, ROUNDS=n), a few minutes"
	@echo "make bench-rooms   collectors and watchers of 10,000 trays, killed in turn (TRAYS=n, MINUTES=n, SPEED=n), ten minutes"
	@echo "make bench-store   readings beside plain rows, InfluxDB and VictoriaMetrics (READINGS=n, SEED=n, FOLDER=where)"
	@echo "make lock    write requirements.lock anew from pyproject.toml"
	@echo "make clean   take away the virtual environment and what tools left"

demo: $(STAMP)
	@$(BIN)/traywarden demo $(DEMO)

test: $(STAMP) system-packages lint types layers
	@echo "== tests (real broker, database, mail and web servers are started on free ports)"
	@TRAYWARDEN_LIVE=required $(BIN)/coverage erase
	@TRAYWARDEN_LIVE=required $(BIN)/pytest -q -n $(WORKERS) --dist loadgroup --cov --cov-report= -rs $(PYTEST)
	@echo "== coverage (lines and branches): $$($(BIN)/coverage report --format=total) %"
	@echo "== all checks passed"

check: $(STAMP) lint types layers
	@$(BIN)/pytest -q -n $(WORKERS) -m "not live and not shared" $(PYTEST)

bench-water: $(STAMP)
	@$(BIN)/python -m tests.bench.water

bench-ingest: $(STAMP)
	@$(BIN)/python -m tests.bench.ingest

bench-alarms: $(STAMP)
	@$(BIN)/python -m tests.bench.alarms

bench-lookback: $(STAMP)
	@$(BIN)/python -m tests.bench.lookback

bench-report: $(STAMP)
	@$(BIN)/python -m tests.bench.report

bench-plan: $(STAMP)
	@$(BIN)/python -m tests.bench.plan

bench-pages: $(STAMP)
	@$(BIN)/python -m tests.bench.pages

screenshots: $(STAMP)
	@$(BIN)/python -m tests.support.screenshots

bench-rooms: $(STAMP) system-packages
	@$(BIN)/python -m tests.bench.rooms

bench-store: $(STAMP) system-packages
	@$(BIN)/python -m tests.bench.store

lint: $(STAMP)
	@echo "== format and lint"
	@$(BIN)/ruff format --check -q $(FOLDERS)
	@$(BIN)/ruff check -q $(FOLDERS)

types: $(STAMP)
	@echo "== types"
	@$(BIN)/mypy

layers: $(STAMP)
	@echo "== layers"
	@$(BIN)/lint-imports --no-cache | tail -n 3

format: $(STAMP)
	@$(BIN)/ruff format -q $(FOLDERS)

wheel: $(STAMP)
	@$(BIN)/python -m build --wheel --no-isolation --outdir dist

environment: $(STAMP)

$(STAMP): requirements.lock pyproject.toml
	@command -v $(PYTHON) >/dev/null || { echo "make needs $(PYTHON), version 3.11 or later; on Debian: apt-get install python3 python3-venv" >&2; exit 1; }
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "make needs Python 3.11 or later; say which with PYTHON=python3.11" >&2; exit 1; }
	@echo "== making the virtual environment in $(VENV) from requirements.lock (a minute or two, once)"
	@$(PYTHON) -m venv $(VENV) || { echo "the venv module is missing; on Debian: apt-get install python3-venv" >&2; exit 1; }
	@$(BIN)/python -m pip install --disable-pip-version-check --no-input --no-deps --require-hashes -r requirements.lock | sed -u -n -e 's/^Collecting \(.*\)/   fetching \1/p' -e 's/^Installing collected.*/   installing what was fetched .../p'
	@$(BIN)/python -m pip install --disable-pip-version-check --no-input -q --no-deps --no-build-isolation -e .
	@$(BIN)/python -m pip check -q --disable-pip-version-check
	@touch $(STAMP)

system-packages:
	@missing=""; for p in $(TEST_PACKAGES); do dpkg-query -W -f='$${Status}' $$p 2>/dev/null | grep -q 'ok installed' || missing="$$missing $$p"; done; \
	if [ -n "$$missing" ]; then \
	  sudo=""; [ "$$(id -u)" = 0 ] || sudo=sudo; \
	  echo "== the tests start real servers; installing by apt-get:$$missing$${sudo:+ (with sudo)}"; \
	  $$sudo apt-get update -q; \
	  $$sudo env DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends $$missing; \
	fi

lock: $(STAMP)
	@$(BIN)/pip-compile -q --generate-hashes --no-emit-index-url --no-emit-trusted-host --no-emit-find-links --strip-extras --allow-unsafe --no-header -o requirements.lock pyproject.toml --extra dev

clean:
	rm -rf $(VENV) dist build .coverage* .mypy_cache .ruff_cache .hypothesis
