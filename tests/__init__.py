"""forerun's tests; a package, so that tiers can share their workshops."""
