"""The demonstration: a simulated cabinet, its sensor nodes, a broker and a mail drop, all local."""
