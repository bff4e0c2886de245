"""forerun rehearses a server's major operating-system upgrade on a throwaway clone."""

__version__ = "0.1.0"
