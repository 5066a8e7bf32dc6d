"""Physics and statistics of warm equipment: pure, standard library only, no clock, no file."""
