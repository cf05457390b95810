//! The judge: readings and criteria in, verdicts on intervals out. Sees no packets and no clock.
