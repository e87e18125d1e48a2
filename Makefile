# make demo   quote the demo chip by every route, into demo-output/
# make test   all tests; those that need an outside server say so and skip without its address
# make check  style, types, architecture and contract
# make fuzz   read files changed at random, MINUTES=2 for each format
# make lock   write requirements.lock anew from pyproject.toml

VENV   ?= .venv
PYTHON ?= $(shell for p in python3.13 python3.12 python3.11 python3; do \
            command -v $$p >/dev/null 2>&1 && $$p -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null \
            && echo $$p && break; done)
BIN    := $(VENV)/bin
STAMP  := $(VENV)/.installed

.PHONY: demo test check format lock bench fuzz clean
.DEFAULT_GOAL := test

$(STAMP): requirements.lock pyproject.toml
	@test -n "$(PYTHON)" || { echo "Rillcast needs Python 3.11 or newer"; exit 1; }
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -r requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --editable .
	@touch $@

demo: $(STAMP)
	$(BIN)/rillcast demo --out demo-output

test: $(STAMP)
	$(BIN)/python -m pytest $(ARGS)

check: $(STAMP)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/openapi-spec-validator openapi/rillcast.yaml

format: $(STAMP)
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

# Benchmarks print ratios; they are no tests.
bench: $(STAMP)
	@for script in tests/benchmarks/*_benchmark.py; do echo "== $$script"; $(BIN)/python $$script || exit 1; done

# Changed files for every reader, MINUTES each; finds go to fuzz-finds/. ARGS="svg" for one format.
MINUTES ?= 2
fuzz: $(STAMP)
	-@$(BIN)/python -c 'import atheris' 2>/dev/null || $(BIN)/python -m pip install --quiet --editable '.[fuzz]'
	$(BIN)/python tests/fuzz/fuzz.py --minutes $(MINUTES) $(ARGS)

lock: $(STAMP)
	$(BIN)/python -m pip install --quiet uv
	$(BIN)/uv pip compile --quiet --universal --python-version 3.11 --extra dev --upgrade pyproject.toml -o requirements.lock

clean:
	rm -rf $(VENV) demo-output fuzz-finds build dist .pytest_cache .mypy_cache .ruff_cache
