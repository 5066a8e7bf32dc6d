"""One module a step, never changed once released."""
