"""The rule engine: told what was measured and when, it answers with alarm transitions. Pure."""
