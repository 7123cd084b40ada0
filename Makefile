# make test   everything that must hold before a change goes in
# make thorough  the same with every case: what make test leaves out is marked so in the tests
# make demo   a whole measurement against a simulated rig, in under a minute
# make bench  how fast it is here; prints figures and decides nothing
# make study  how true the numbers are: the short forms of make test with ten times as many seeds (SHARE=1/n only), then all 270
#             scenarios by 2000 trials: a day or two on one processor; SHARE=2/8 does an eighth of it
# make fuzz    damaged and hostile input for an hour (SECONDS=3600); what breaks anything is kept in fuzz-found
# make firmware-test  the board's firmware: core on this machine, AVR image in the emulator, RP2040 board under MicroPython
#             (needs gcc-avr avr-libc libsimavr-dev libelf-dev nodejs npm)
# Needs make and a Python of 3.11 or later with venv; PYTHON=python3.12 chooses another.

PYTHON ?= python3
BIN := .venv/bin
SHARE ?= 1/1
SECONDS ?= 3600
BENCHES := $(basename $(notdir $(sort $(wildcard tests/benchmarks/bench_*.py))))
INSTALLED := .venv/installed
# On every processor, and one more (tests/conftest.py). A module stays together: its tests share what they have simulated.
PYTEST := $(BIN)/pytest -n auto --dist loadscope --no-loadscope-reorder

# Linear algebra on one thread in each process: more would only wait for each other, which took a tenth of a run and more.
export OPENBLAS_NUM_THREADS = 1
export OMP_NUM_THREADS = 1

.PHONY: test thorough demo bench fuzz study firmware-test clean

test: $(INSTALLED)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(PYTEST) -m 'not thorough'

thorough: $(INSTALLED)
	$(PYTEST)

demo: $(INSTALLED)
	$(BIN)/lobetrace demo

bench: $(INSTALLED)
	$(foreach name,$(BENCHES),$(BIN)/python -m tests.benchmarks.$(name) &&) true

fuzz: $(INSTALLED)
	$(BIN)/python -m tests.fuzz --seconds $(SECONDS)

firmware-test: $(INSTALLED)
	$(MAKE) -C firmware-notes/reference test PYTHON='$(CURDIR)/$(BIN)/python'

study: $(INSTALLED)
	$(if $(filter 1/%,$(SHARE)),STUDY_TIMES=10 $(PYTEST) tests/statistics)
	$(BIN)/python -m tests.statistics.study --seeds 2000 --share $(SHARE) --rows study-$(subst /,-of-,$(SHARE)).jsonl

# Only a change of pyproject.toml installs again.
$(INSTALLED): pyproject.toml
	$(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[dev]'
	touch $@

clean:
	rm -rf .venv .mypy_cache .pytest_cache .ruff_cache .hypothesis *.egg-info
