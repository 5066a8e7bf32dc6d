"""The tests of cabinetwatch."""
