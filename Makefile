# Plain GNU make (3.81 and newer). Every target works from a bare clone: it first brings .venv up
# to date from the lock it needs, which takes no time when nothing has changed.

SHELL = /bin/sh
PYTHON = $(shell command -v python3 || command -v python3.11 || command -v python3.12 \
	|| command -v python3.13 || command -v python3.14 || echo python3)
BOOTSTRAP = "$(PYTHON)" scripts/bootstrap.py
RUN = .venv/bin/python -m
COMPILE = .venv-lock/bin/python -m uv pip compile --quiet --universal --fork-strategy fewest \
	--python-version 3.11 --generate-hashes --no-annotate --no-header $(LOCKFLAGS)

.PHONY: help plan test test-quick test-slow bench docs serve screenshots lock clean

help:
	@echo 'make plan         plan the demo season, print the summary and where the files are'
	@echo 'make test         all checks and all tests except the slow ones'
	@echo 'make test-quick   the tests alone, with fewer random cases; under a minute'
	@echo 'make test-slow    the slow tests, among them the truth test'
	@echo 'make bench        time and memory of the large runs'
	@echo 'make docs         where the documents are'
	@echo 'make screenshots  a picture of every page and sheet of the demo, in screenshots/'
	@echo 'make lock         compile the lock files anew (LOCKFLAGS=--upgrade for newer versions)'
	@echo 'make clean        remove everything that these targets make'

plan:
	@$(BOOTSTRAP) run
	@$(RUN) rhizoledger plan examples/demo

test:
	@$(BOOTSTRAP) dev
	$(RUN) ruff check .
	$(RUN) ruff format --check .
	$(RUN) mypy
	$(RUN) pytest -q -n auto

test-quick:
	@$(BOOTSTRAP) dev
	HYPOTHESIS_PROFILE=quick $(RUN) pytest -q -x -n auto -m "not slow and not thorough"

test-slow:
	@$(BOOTSTRAP) dev
	$(RUN) pytest -q -m slow

bench:
	@$(BOOTSTRAP) run
	@for script in benchmarks/bench_*.py; do echo "$$script"; .venv/bin/python "$$script" || exit 1; done

docs:
	@echo 'The documents are plain text: README.md, GLOSSARY.md and docs/. Nothing needs building yet.'

serve:
	@echo 'There are no pages to serve yet: the web application has its own issue.' >&2; exit 2

screenshots:
	@$(BOOTSTRAP) dev
	@.venv/bin/python scripts/screenshots.py

lock:
	@$(BOOTSTRAP) lock
	cd requirements && ../$(COMPILE) run.in -o run.txt
	cd requirements && ../$(COMPILE) --no-emit-package pandas --no-emit-package python-dateutil \
		dev.in -o dev.txt
	cd requirements && ../$(COMPILE) lock.in -o lock.txt

clean:
	rm -rf .venv .venv-lock build dist .pytest_cache .mypy_cache .ruff_cache .hypothesis
	rm -rf .import_linter_cache examples/*/plan screenshots
	find . -name __pycache__ -type d -prune -exec rm -rf {} +
