//! Pure mathematics on samples; each function cites its standard. Knows no packets, sockets or clocks.
