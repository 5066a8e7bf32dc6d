"""Before/after analysis of a change of cooling. Pure but for what it is handed."""
