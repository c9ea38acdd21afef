# The two commands a newcomer needs. Each makes its own environment in .venv when it is missing.
#   make demo             set up, play an invented session, print the findings, serve the dashboard
#   make demo NO_SERVE=1  the same, but stop after the findings
#   make test             set up and run every test
# PIP_ARGS goes to pip, e.g. PIP_ARGS="-c constraints.txt" for exactly the versions that CI runs.

PYTHON ?= python3
PIP_ARGS ?=
BIN = .venv/bin

.PHONY: demo test check clean

.venv/.app: pyproject.toml
	test -x $(BIN)/python || $(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet --disable-pip-version-check $(PIP_ARGS) -e .
	$(BIN)/python -m analysis.warm
	touch $@

.venv/.dev: pyproject.toml
	test -x $(BIN)/python || $(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet --disable-pip-version-check $(PIP_ARGS) -e ".[dev]"
	touch .venv/.app $@

demo: .venv/.app
	$(BIN)/farend demo $(if $(NO_SERVE),--no-serve)

# Compiled first, so that the three workers need not all do it.
test: .venv/.dev
	$(BIN)/python -m analysis.warm
	$(BIN)/python -m pytest -n 3 --dist loadfile

# What CI runs before the tests.
check: .venv/.dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

clean:
	rm -rf .venv build *.egg-info .mypy_cache .ruff_cache .pytest_cache .import_linter_cache .hypothesis
