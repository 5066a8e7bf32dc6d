"""`python -m cabinetwatch`."""

import sys


def _leave_current_folder_out() -> None:
    """Take from the search path the current folder, which -m puts first: anything may lie there.

    Unless the package itself is run from it, as in a checkout.
    """
    if sys.flags.safe_path or not __file__.endswith("/cabinetwatch/__main__.py"):
        return
    if sys.path and sys.path[0] != __file__.removesuffix("/cabinetwatch/__main__.py"):
        del sys.path[0]


if __name__ == "__main__":
    _leave_current_folder_out()

    from cabinetwatch.cli.main import entry

    entry()
