"""Tests that start real guests."""
