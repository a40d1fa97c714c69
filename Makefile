# Two commands do all set-up on a fresh machine: `make demo` and `make test`.
# Nothing here needs root, and nothing is installed outside this folder (the note cache apart).
VENV := .venv
RUN := $(VENV)/bin

# What is installed is pinned by version and by the SHA-256 of each file (locked/, DEVELOPERS.md);
# `make LOCKED=no ...` takes the newest that pyproject.toml allows instead.
LOCKED := yes
# How long `make fuzz` tries cases of its own, and how often it draws new examples for the tests.
MINUTES := 16
ROUNDS := 5
PIP := $(RUN)/python -m pip install --quiet --disable-pip-version-check

.PHONY: demo test lint format docs schema bench mutants fuzz lock clean

demo: $(VENV)/.installed ## build a real pack from a preset
	@sh tools/fetch_soundfont.sh
	@$(RUN)/drillgen build first-two-fives -o demo-pack

test: $(VENV)/.test-installed ## check style and types, then run the tests
	@sh tools/fetch_soundfont.sh
	@sh tools/fetch_browser.sh "$(CURDIR)/$(VENV)/browser"
	@[ -e $(VENV)/lilypond ] || { sh tools/fetch_deb.sh lilypond $(VENV)/lilypond && \
		sh tools/fetch_deb.sh lilypond-data $(VENV)/lilypond; } || \
		echo "No musicxml2ly, to read sheets a second time: its test will be skipped." >&2
	$(RUN)/ruff check .
	$(RUN)/ruff format --check .
	$(RUN)/mypy
	@# What is compiled is kept, whatever the environment says: each process would do it again.
	PYTHONDONTWRITEBYTECODE= $(RUN)/python -m pytest --numprocesses auto --dist loadgroup --no-loadscope-reorder

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

fuzz: $(VENV)/.test-installed ## hostile and unlucky days by chance, then property tests at random
	$(RUN)/python -m tests.fuzz --minutes $(MINUTES)
	@for seed in $$($(RUN)/python -c 'import random; print(*random.sample(range(10**6), $(ROUNDS)))'); \
	do echo "property tests: --hypothesis-profile=random --hypothesis-seed=$$seed"; \
	$(RUN)/python -m pytest --numprocesses auto --hypothesis-profile=random \
		--hypothesis-seed=$$seed -m hypothesis || exit 1; done

lock: ## write locked/ anew, by the newest releases (PYTHONS: the oldest supported, then newer ones)
	python3 tools/lock.py $(PYTHONS)

$(VENV)/.installed: pyproject.toml tools/make_venv.sh locked/run.txt
	@sh tools/make_venv.sh $(VENV)
	@echo "Installing what drillgen needs into $(VENV) (some minutes, once) ..."
ifeq ($(LOCKED),yes)
	$(PIP) --require-hashes --only-binary :all: --requirement locked/run.txt
	$(PIP) --no-deps --no-build-isolation --editable .
else
	$(PIP) --editable .
endif
	@# pip compiles what it installs, but not what is editable: else each first command would do it.
	@$(RUN)/python -m compileall -q drillgen
	@touch $@

$(VENV)/.test-installed: $(VENV)/.installed locked/test.txt
ifeq ($(LOCKED),yes)
	$(PIP) --require-hashes --only-binary :all: --requirement locked/test.txt
else
	$(PIP) --editable '.[test,lint]'
endif
	@touch $@

clean:
	@sh tools/make_venv.sh --remove $(VENV)
	rm -rf demo-pack build dist .mypy_cache .pytest_cache .ruff_cache .hypothesis .mutants
