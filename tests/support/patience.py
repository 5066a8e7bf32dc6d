"""How long the tests wait for what must come."""

WITHIN_S = 120.0
"""For each wait; generous, for machines that do other things besides. What comes ends the wait, so
that only a failure takes so long."""
