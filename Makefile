# The commands of the project. Everything runs in .venv, made from the lock file; nothing is installed outside it except what
# `make test` asks Debian for (see tests/servers.sh).
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed

.PHONY: demo test check bench compiled events lock clean

demo: $(STAMP)  ## simulated bench and service; ARGS="--duration 60s" ends by itself
	@$(BIN)/loadlog demo $(ARGS)

test: $(STAMP)  ## real servers where the machine can install them, then the whole suite, or what ARGS names
	@sh tests/servers.sh
	@$(BIN)/python -m tests.lanes $(ARGS)

check: $(STAMP)  ## format, lint, types, layers
	@$(BIN)/ruff format --check loadlog tests setup.py
	@$(BIN)/ruff check loadlog tests setup.py
	@$(BIN)/mypy
	@$(BIN)/lint-imports

bench: $(STAMP)  ## every figure, measured side by side in one run
	@$(BIN)/python -m tests.bench $(ARGS)

compiled: $(STAMP)  ## the package with detectors compiled to C in build/compiled (needs a C compiler, Python's headers); ARGS: tests run with it
	@$(BIN)/python -m tests.compiled.build build/compiled $(ARGS)

events: $(STAMP)  ## detectors on drawn scenarios: what is found, how soon, with which cause, how often falsely
	@$(BIN)/python -m tests.events $(ARGS)

lock: $(STAMP)  ## resolve the dependencies again, for all supported Pythons and machines
	$(BIN)/pip install --quiet uv
	$(BIN)/uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-annotate \
	  --extra dev --custom-compile-command "make lock" pyproject.toml -o requirements.lock
	$(BIN)/uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-annotate \
	  --constraint requirements.lock --custom-compile-command "make lock" pyproject.toml -o deploy/requirements.lock

$(STAMP): requirements.lock pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "loadlog needs Python 3.11 or later; set PYTHON=..."; exit 2; }
	@$(PYTHON) -m venv $(VENV)
	@$(BIN)/pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	@$(BIN)/pip install --quiet --disable-pip-version-check --no-deps -e .
	@touch $(STAMP)

clean:  ## what builds and tests leave behind; recordings stay
	rm -rf $(VENV) .pytest_cache .mypy_cache .ruff_cache .hypothesis .import_linter_cache build *.egg-info artefacts
