//! Service tiers in TOML: what was sold, the limits, how hard to test.
