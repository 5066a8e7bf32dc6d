"""The guard as it is, but that it takes a time shorter than two heartbeats.

python -m tests.service.quick_guard guard --after 2s --config FILE
"""

import sys

from cabinetwatch.cli import services as guard
from cabinetwatch.cli.main import main

if __name__ == "__main__":
    guard.SHORTEST_S = 0.0
    sys.exit(main(sys.argv[1:]))
