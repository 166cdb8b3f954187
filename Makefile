# Every target sets up what it needs; the first run takes a minute, later ones no time.
.DEFAULT_GOAL := help
# Programs whose compiled form may not be kept take twice as long to start, and the tests start hundreds.
unexport PYTHONDONTWRITEBYTECODE
.PHONY: help demo test soak lint bench screenshots docs lock sbom audit clean

help: ## Show this
	@sed -n 's/^\([a-z]*\): ## /  make \1\t/p' $(MAKEFILE_LIST) | expand -t 16

demo: ## Start a broker, a simulated apron, the monitor and the board; Ctrl-C ends all (ARGS="--help" lists options)
	@.ci/setup && exec .venv/bin/sillwatch demo $(ARGS)

test: ## Run all tests, four at a time (ARGS="tests/core -k wind" runs some, one by one)
	@.ci/setup --tests && exec .venv/bin/python -m pytest $(or $(ARGS),-n 4)

soak: ## Run the long tests, hours of them (ARGS="kills --kills 400" runs some)
	@.ci/setup --tests && exec .venv/bin/python -m tests.faults.soak $(ARGS)

lint: ## Check style, format, types (the board's too), import contracts and dependencies
	@.ci/setup
	.venv/bin/ruff check .
	.venv/bin/ruff format --check .
	.venv/bin/mypy --strict
	.venv/bin/lint-imports --no-logo
	.venv/bin/deptry .
	.venv/bin/python .ci/board.py --check
	.venv/bin/python .ci/docs.py --check

bench: ## Measure messages per second and the time from message to alert
	@.ci/setup && exec .venv/bin/python -m simulators.bench $(ARGS)

screenshots: ## Take pictures of the page from a running demo
	@.ci/setup --tests && exec .venv/bin/python .ci/screenshots.py $(ARGS)

docs: ## Write the generated parts of the documents
	@.ci/setup && exec .venv/bin/python .ci/docs.py

lock: ## Renew requirements.lock from pyproject.toml
	@.ci/setup
	.venv/bin/uv pip compile --quiet --upgrade --universal --python-version 3.11 --extra dev \
		--generate-hashes --no-header pyproject.toml --output-file requirements.lock
	@.ci/setup

sbom: ## Write the bill of materials of an installation to build/sbom.cdx.json
	@.ci/setup && exec .venv/bin/python .ci/sbom.py

audit: ## Hold requirements.lock against the public database of known vulnerabilities
	@.ci/setup && exec .venv/bin/python .ci/audit.py

clean: ## Remove what was made here, the virtual environment too
	rm -rf .venv build dist .demo .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache
	find . -name __pycache__ -type d -prune -exec rm -rf {} +
