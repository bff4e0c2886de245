"""The demonstration: an invented organisation's server, rehearsed by forerun."""
