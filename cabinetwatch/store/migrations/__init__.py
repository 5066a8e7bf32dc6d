"""The steps by which the schema of the store came about."""
