"""Drills: people trained on clones that production's survey made."""
