# Two commands do all set-up on a fresh machine: `make demo` and `make test`.
# Nothing here needs root, and nothing is installed outside this folder (the note cache apart).
VENV := .venv
RUN := $(VENV)/bin

.PHONY: demo test lint format docs schema bench mutants clean

demo: $(VENV)/.installed ## build a real pack from a preset
	@sh tools/fetch_soundfont.sh
	@$(RUN)/drillgen build first-two-fives -o demo-pack

test: $(VENV)/.test-installed ## check style and types, then run the tests
	@sh tools/fetch_soundfont.sh
	@sh tools/fetch_browser.sh "$(CURDIR)/$(VENV)/browser"
	$(RUN)/ruff check .
	$(RUN)/ruff format --check .
	$(RUN)/mypy
	$(RUN)/python -m pytest --numprocesses auto --dist loadgroup --no-loadscope-reorder

lint: $(VENV)/.test-installed
	$(RUN)/ruff check .
	$(RUN)/ruff format --check .
	$(RUN)/mypy

format: $(VENV)/.test-installed
	$(RUN)/ruff check --fix .
	$(RUN)/ruff format .

schema: $(VENV)/.installed ## renew the schema file beside the presets
	$(RUN)/drillgen schema > presets/drill.schema.json

docs: $(VENV)/.test-installed ## write and draw the examples of docs/lines.md anew
	$(RUN)/python -m tests.lines.examples
	$(RUN)/python -m docs.draw

bench: $(VENV)/.test-installed ## the numbers in benchmarks/README.md
	$(RUN)/python -m benchmarks

mutants: $(VENV)/.test-installed ## change 100 constants one at a time: which does no test notice?
	$(RUN)/python -m tools.mutate

$(VENV)/.installed: pyproject.toml tools/make_venv.sh
	@sh tools/make_venv.sh $(VENV)
	$(RUN)/python -m pip install --quiet --disable-pip-version-check --editable .
	@touch $@

$(VENV)/.test-installed: $(VENV)/.installed
	$(RUN)/python -m pip install --quiet --disable-pip-version-check --editable '.[test,lint]'
	@touch $@

clean:
	rm -rf $(VENV) demo-pack build dist .mypy_cache .pytest_cache .ruff_cache .hypothesis .mutants
