"""Frozen records. Standard library only."""
