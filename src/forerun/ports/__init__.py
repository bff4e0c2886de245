"""One door for each outside thing: a Protocol and its real adapter."""
