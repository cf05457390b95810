//! Types that cross the control connection, for both sides.
