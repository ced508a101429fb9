# One list of commands, the same for people and for the build server.
PYTHON ?= python3
UV_VERSION = 0.13.9
VENV = .venv
BIN = $(VENV)/bin
STAMP = $(VENV)/.ready
export UV_PYTHON_DOWNLOADS = never
# One more than there are cores: tests that hold a controller to real time wait a quarter of it.
WORKERS = $(shell expr `getconf _NPROCESSORS_ONLN` + 1)

.PHONY: demo test lint bench desk docs measured campaign lock format clean help

help:            ## this list
	@grep -E '^[a-z]+:.*##' $(MAKEFILE_LIST) | sed -E 's/:.*##/\t/'

$(STAMP): requirements.lock pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "pastewright needs Python 3.11 or newer; choose one with: make PYTHON=python3.12 $(MAKECMDGOALS)"; exit 1; }
	@$(PYTHON) -c 'import venv, ensurepip' 2>/dev/null || \
	  { echo "Python's venv module is missing. On Debian: apt-get install python3-venv"; exit 1; }
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip --quiet --disable-pip-version-check install uv==$(UV_VERSION)
	$(BIN)/uv pip sync --quiet --compile-bytecode --python $(BIN)/python --require-hashes requirements.lock
	$(BIN)/uv pip install --quiet --python $(BIN)/python --no-deps --no-build-isolation --editable .
	@$(BIN)/python -m compileall -q src
	@echo "compiling what would make the first run slow …"
	-@$(BIN)/pastewright demo --out $(VENV)/first-run >/dev/null 2>&1
	@touch $(STAMP)

demo: $(STAMP)   ## install, run the main job on the demo board, say where the results are
	$(BIN)/pastewright demo --out demo-out

# Tests keep every core busy by themselves: threads of the numeric libraries would only wait for each other (measured
# with three workers on two cores: half the processor's time of the photo tests, and 2.5 times as long).
test campaign: export OMP_NUM_THREADS = 1
test campaign: export OPENBLAS_NUM_THREADS = 1
test campaign: export OPENCV_FOR_THREADS_NUM = 1

test: $(STAMP)   ## install, then the whole test suite
	$(BIN)/python -m pytest -n $(WORKERS) --dist worksteal -m "not campaign"

campaign: $(STAMP) ## the heavy checks
	$(BIN)/python -m pytest -n $(WORKERS) --dist worksteal

lint: $(STAMP)   ## style, types, floors
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/mypy --config-file tests/mypy.ini
	$(BIN)/lint-imports
	@if command -v tsc >/dev/null; then echo tsc; tsc -p src/pastewright/page/front/jsconfig.json; \
	else echo "the page's JavaScript was not checked: there is no tsc (Debian: node-typescript)"; fi

format: $(STAMP) ## let ruff write the layout
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

bench: $(STAMP)  ## measure speed, memory and tour quality; every table is printed to its end
	@failed=; for each in commands ratios stages tours link held stops fit photos page; do \
	  echo; echo "== $$each"; $(BIN)/python bench/$$each.py || failed="$$failed $$each"; \
	done; [ -z "$$failed" ] || { echo "failed:$$failed"; exit 1; }

desk: $(STAMP)   ## of these, what a person waits for at the desk: commands, large boards, ratios, tours
	@failed=; for each in commands stages ratios tours; do \
	  echo; echo "== $$each"; $(BIN)/python bench/$$each.py || failed="$$failed $$each"; \
	done; [ -z "$$failed" ] || { echo "failed:$$failed"; exit 1; }

docs: $(STAMP)   ## renew the generated pages and pictures
	$(BIN)/python scripts/profile_docs.py
	$(BIN)/python scripts/plan_schema.py
	$(BIN)/python scripts/pictures.py
	$(BIN)/python scripts/placement_pictures.py
	$(BIN)/python scripts/page_pictures.py

measured: $(STAMP) ## measure tuning anew for docs/tuning.md; half an hour
	$(BIN)/python scripts/tuning_plot.py

lock: $(STAMP)   ## resolve the dependencies anew
	$(BIN)/uv pip compile --quiet --universal --generate-hashes --upgrade --extra dev --python-version 3.11 \
	  pyproject.toml --output-file requirements.lock

clean:           ## remove what was made
	rm -rf $(VENV) demo-out bench-out
