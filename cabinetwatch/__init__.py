"""cabinetwatch: watches how warm the gear in a cabinet at home runs, and tells in time."""

__version__ = "0.1.0"
