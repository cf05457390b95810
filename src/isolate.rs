//! Isolation: which segment a fault lies in, from readings, verdicts and flaws alone.
