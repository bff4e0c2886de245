"""Operating-system families: what to ask of a server and how to read the answers."""
