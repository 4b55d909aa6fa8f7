# Every target sets up what it needs: a virtual environment in .venv with the package and its tools.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
SITE := calibration
AXE := tests/browser/node_modules/axe-core/axe.min.js

.PHONY: demo test test-long check lint format bench-accuracy bench-ends bench-rules bench-study bench-find bench-speed bench-records bench-season bench-load fit-mismatch demo-data translations screenshots help

help:
	@echo "make demo            set up, read a sample photo, play six simulated weeks and report on them"
	@echo "make test            set up, run every check and test; some five minutes"
	@echo "make test-long       the same claims on more cases; a few minutes"
	@echo "make check           the quick one: ruff, mypy, tests of units and against references"
	@echo "make lint | format   ruff and mypy | ruff format"
	@echo "make bench-accuracy  errors and coverage on unseen simulated photos (PHOTOS=400, CAMERAS=table.csv)"
	@echo "make bench-ends      do readings hold from the LOQ to the top? two minutes"
	@echo "make bench-rules     false alarms and power of the rules that look back, and of replicates; ten minutes"
	@echo "make bench-study     how often studies of honest and of wrong intervals pass and fail; minutes"
	@echo "make bench-find      strips of unseen looks: found, wrong end, pad off, by family (PHOTOS=400)"
	@echo "make bench-speed     reading against decoding the same 12-megapixel photo"
	@echo "make bench-records   the record's pages and verification against its size; a minute or two"
	@echo "make bench-season    how often good days are called bad; ten minutes"
	@echo "make bench-load      twenty phones that send ten photos each; a few minutes"
	@echo "make fit-mismatch    fit the constants of the colour mismatch model anew"
	@echo "make translations    bring the page's catalogues up to date; tells what is not translated"
	@echo "make screenshots     take each screen of the page at phone size"
	@echo "make demo-data       simulate the demo lots and sample photos anew"

$(READY): pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "Python 3.11 or newer is needed; name it: make PYTHON=python3.12"; exit 1; }
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[dev]'
	@touch $@

demo: $(READY)
	@$(BIN)/stripread read sample_images/line-good.jpg --sample line --lot UL-2603 --site $(SITE) \
	  --overlay demo-reading.png
	@echo "The photo with the reading drawn on it: demo-reading.png"
	@echo
	@test -f demo-season/truth.toml || { rm -rf demo-season; echo "Six simulated weeks of a nursery, a minute or two:"; \
	  $(BIN)/stripread simulate season demo-season --site $(SITE); }
	@$(BIN)/stripread report demo-report --from 2026-04-06 --to 2026-05-17 --site demo-season --force
	@echo "The report of these weeks: demo-report.html, demo-report.pdf"

# The accessibility rules that the browser tests run; without npm those tests are skipped, and say so.
$(AXE): tests/browser/package-lock.json
	@{ command -v npm >/dev/null && npm ci --silent --no-audit --no-fund --prefix tests/browser && touch $@; } \
	  || echo "no npm, or axe-core could not be fetched: the accessibility tests will be skipped"

# One thread for each of two processes: more get into each other's way. Compiled modules are kept, whatever the machine's
# habit: the tests start a hundred processes.
PYTEST := OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 PYTHONDONTWRITEBYTECODE= $(BIN)/python -m pytest -q -n 2

test: lint $(AXE)
	$(PYTEST) -m "not long" --dist loadfile --no-loadscope-reorder

test-long: $(READY)
	$(PYTEST) -m long

check: lint
	$(PYTEST) -m "not slow and not long" tests/unit tests/reference

lint: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

format: $(READY)
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

PHOTOS ?= 400
bench-accuracy: $(READY)
	OMP_NUM_THREADS=1 $(BIN)/python -m tests.benchmarks.accuracy --photos $(PHOTOS) $(if $(CAMERAS),--cameras $(CAMERAS))

bench-ends: $(READY)
	OMP_NUM_THREADS=1 $(BIN)/python -m tests.benchmarks.ends

bench-rules: $(READY)
	OMP_NUM_THREADS=1 $(BIN)/python -m tests.benchmarks.control_rules
	OMP_NUM_THREADS=1 $(BIN)/python -m tests.benchmarks.replicates

bench-study: $(READY)
	OMP_NUM_THREADS=1 $(BIN)/python -m tests.benchmarks.study

bench-find: $(READY)
	OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(BIN)/python -m tests.benchmarks.find --photos $(PHOTOS)

bench-speed: $(READY)
	$(BIN)/python -m tests.benchmarks.speed

bench-records: $(READY)
	$(BIN)/python -m tests.benchmarks.records

bench-season: $(READY)
	OMP_NUM_THREADS=1 $(BIN)/python -m tests.benchmarks.season

bench-load: $(READY)
	$(BIN)/python -m tests.benchmarks.load

fit-mismatch: $(READY)
	$(BIN)/python -m tests.fitting.fit_mismatch

demo-data: $(READY)
	OMP_NUM_THREADS=1 $(BIN)/python -m stripread.simulate.demo calibration sample_images

translations: $(READY)
	$(BIN)/python -m stripread.i18n.translations

screenshots: $(READY)
	$(BIN)/python -m tests.browser.screenshots docs/images/screens
