"""The tests of cabinetwatch."""

import os
import sys

# Whatever the machine's wish: else each of the six workers, and every process that they start,
# compiles anew all that it imports, which is a third of the work.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False
