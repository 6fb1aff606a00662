# make demo   etch the demo case from nothing, and say where its depth map lies
# make test   run the tests
# make check  style and types
# make gallery  make the pictures in README.md anew
# make lesson   make the lesson sheet anew
#
# Each sets itself up in .venv and needs Python 3.11 or newer, nothing else. Without make, the
# same words go to tools.py. Another interpreter: make demo PYTHON=/path/to/python

PYTHON ?= $(firstword $(foreach python,python3 python3.14 python3.13 python3.12 python3.11,\
	$(shell $(python) -c 'import sys; sys.version_info < (3, 11) or print("$(python)")' 2>/dev/null)) python3)

.PHONY: demo test check gallery lesson clean

demo test check gallery lesson:
	@$(PYTHON) tools.py $@

clean:
	rm -rf .venv runs
