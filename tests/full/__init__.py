"""The whole Debian upgrade."""
