"""A small signed package archive of two suites, its packages and a profile between them."""
