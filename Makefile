# Both commands do all their set-up from a bare clone; they need python3 (3.11 to 3.14) and nothing else.
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed
PORT ?= 8000

.PHONY: run test test-desktop bench study soak oracles format clean

$(STAMP): pyproject.toml constraints.txt
	@python3 -c 'import sys; sys.exit(0 if (3, 11) <= sys.version_info < (3, 15) else "valve-kits needs Python 3.11 to 3.14, this is " + sys.version.split()[0])'
	@python3 -m venv $(VENV)
	@if command -v uv >/dev/null 2>&1; \
	 then VIRTUAL_ENV=$(VENV) uv pip install --quiet -c constraints.txt -e ".[dev,desktop]"; \
	 else $(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e ".[dev,desktop]"; fi
	@touch $(STAMP)

run: $(STAMP)
	@$(BIN)/valve-kits --database sqlite:///demo.sqlite demo --port $(PORT)

test: $(STAMP)
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/pytest -n 2 --dist worksteal
	@echo "not run here: benchmarks (make bench), peer libraries anew (make oracles), LibreOffice and Chromium (make test-desktop)"

test-desktop: $(STAMP)
	@command -v soffice >/dev/null && { command -v chromium || command -v chromium-browser; } >/dev/null \
	 || { echo "apt-get install --no-install-recommends libreoffice-calc chromium fonts-dejavu-core"; exit 1; }
	$(BIN)/pytest tests/desktop

bench: $(STAMP)
	$(BIN)/python -m tests.benchmarks.bench_fitting
	$(BIN)/python -m tests.benchmarks.bench_import
	OPENBLAS_NUM_THREADS=1 $(BIN)/python -m tests.benchmarks.bench_demand
	OPENBLAS_NUM_THREADS=1 $(BIN)/python -m tests.oracles.time_peers
	OPENBLAS_NUM_THREADS=1 $(BIN)/python -m tests.benchmarks.bench_stocking
	OPENBLAS_NUM_THREADS=1 $(BIN)/python -m tests.benchmarks.bench_load

# how often intervals hold the truth, on seeds 1 to 2,000
study: $(STAMP)
	OPENBLAS_NUM_THREADS=1 $(BIN)/python -m tests.benchmarks.study_intervals
	OPENBLAS_NUM_THREADS=1 $(BIN)/python -m tests.benchmarks.study_pooling
	OPENBLAS_NUM_THREADS=1 $(BIN)/python -m tests.benchmarks.study_fit_checks
	OPENBLAS_NUM_THREADS=1 $(BIN)/python -m tests.benchmarks.study_renewals
	OPENBLAS_NUM_THREADS=1 $(BIN)/python -m tests.benchmarks.study_kits
	OPENBLAS_NUM_THREADS=1 $(BIN)/python -m tests.benchmarks.study_stocked_plant
	OPENBLAS_NUM_THREADS=1 $(BIN)/python -m tests.benchmarks.study_calibration

# on each database: fifty rounds of SIGKILL, two schedulers started together a hundred times, two hundred clients during a run
soak: $(STAMP)
	FAULT_ROUNDS=50 KILL_ROUNDS=5 $(BIN)/pytest -s tests/e2e/test_faults.py tests/e2e/test_killed_imports.py
	SCHEDULER_ROUNDS=100 $(BIN)/pytest -s tests/e2e/test_two_schedulers.py
	$(BIN)/python -m tests.benchmarks.soak_clients

# what other packages give, in an environment of their own (.oracles)
oracles: $(STAMP)
	$(BIN)/python -m tests.oracles.recompute
	$(BIN)/python -m tests.oracles.stock_peers

format: $(STAMP)
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

clean:
	rm -rf $(VENV) .oracles .mypy_cache .ruff_cache .pytest_cache .hypothesis
