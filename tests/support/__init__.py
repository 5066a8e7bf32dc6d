"""Real servers and other helpers that the tests share."""
