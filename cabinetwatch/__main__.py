"""`python -m cabinetwatch`."""

from cabinetwatch.cli.main import entry

if __name__ == "__main__":
    entry()
