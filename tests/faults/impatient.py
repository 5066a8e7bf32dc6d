"""The daemon as it is, but that it tries a store that fails again after half a second.

python -m tests.faults.impatient run --config FILE
"""

import sys

from cabinetwatch.cli.main import main
from cabinetwatch.service import startup, store_loop

if __name__ == "__main__":
    store_loop.RETRY_MS = 500
    startup.TRY_EVERY_S = 0.5
    sys.exit(main(sys.argv[1:]))
